package curve

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// Options say what the files themselves do not.
type Options struct {
	Pattern  Pattern        // of file names, for files that no manifest lists
	Zone     *time.Location // of times without an offset; nil refuses those
	Defaults Identity       // fills what the source does not say
}

// textEndings are the endings of files that are read from a folder.
var textEndings = []string{".txt", ".csv", ".tsv", ".dat", ".asc"}

// unrelated are endings of files that lie beside measurements and are left alone.
// The last ones are files that another program is still writing.
var unrelated = []string{
	".pdf", ".md", ".json", ".xlsx", ".xls", ".ods", ".doc", ".docx", ".odt", ".html", ".htm", ".xml",
	".png", ".jpg", ".jpeg", ".svg", ".gif", ".log", ".ini", ".lnk", ".zip",
	".tmp", ".part", ".partial", ".bak",
}

func isTextEnding(ending string) bool {
	return slices.Contains(textEndings, strings.ToLower(ending))
}

func isUnrelated(name string) bool {
	return strings.HasPrefix(name, ".") || strings.HasPrefix(name, "~$") || strings.HasSuffix(name, "~") ||
		strings.EqualFold(name, "Thumbs.db") || slices.Contains(unrelated, strings.ToLower(path.Ext(name)))
}

// Plan finds the takes in files and folders. A folder with a manifest.csv is
// read by it, with all folders below; files of other folders by the pattern, or
// as wide CSV. Entries come in the order of paths; those of a manifest in its
// order, others of a folder by name with numbers in order of size.
//
// A path that does not exist or a file that cannot be a take gives a refusal, and
// the others go on. The error is for a call without paths.
func Plan(paths []string, o Options) ([]Entry, []*Refusal, error) {
	if len(paths) == 0 {
		return nil, nil, errors.New("no files given; name files or folders of takes")
	}
	p := planner{o: o, seen: map[string]Identity{}, manifests: map[string]bool{}, src: source{zone: o.Zone, defaults: o.Defaults}}
	for _, given := range paths {
		p.path(given)
	}
	return p.entries, p.refused, nil
}

type planner struct {
	o       Options
	src     source
	seen    map[string]Identity // by real path, so that a file given twice is read once
	entries []Entry
	refused []*Refusal

	manifests map[string]bool // by real path
}

func (p *planner) refuse(file, reason, remedy string) {
	p.refused = append(p.refused, refuse(file, 0, "", reason, remedy))
}

// path plans one of the given paths.
func (p *planner) path(given string) {
	info, err := os.Stat(given)
	switch {
	case err != nil:
		p.refuse(given, "cannot be found: "+plainError(err), "check the spelling and the permissions")
	case info.IsDir():
		p.folder(given)
	case strings.EqualFold(filepath.Base(given), ManifestName):
		p.folder(filepath.Dir(given))
	default:
		// A link that is given by name may lead anywhere.
		real, err := filepath.EvalSymlinks(given)
		if err != nil {
			real = given
		}
		p.file(filepath.Dir(real), filepath.Base(real), given, info.Mode())
	}
}

// folder plans the files below a folder that no manifest governs, and hands over
// to its manifest a folder that has one.
func (p *planner) folder(top string) {
	var files []string
	err := filepath.WalkDir(top, func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			p.refuse(name, "cannot be read: "+plainError(err), "check the permissions")
			return skip(d)
		case d.IsDir() && name != top && strings.HasPrefix(d.Name(), "."):
			return fs.SkipDir
		case d.IsDir():
			if m := manifestIn(name); m != "" {
				files = append(files, m)
				return fs.SkipDir
			}
		case p.wanted(name, d):
			files = append(files, name)
		}
		return nil
	})
	if err != nil {
		p.refuse(top, "cannot be read: "+plainError(err), "check the permissions")
	}
	slices.SortFunc(files, natural)
	for _, name := range files {
		if strings.EqualFold(filepath.Base(name), ManifestName) {
			p.manifest(filepath.Dir(name), filepath.Base(name))
			continue
		}
		rel, _ := filepath.Rel(top, name)
		p.file(top, rel, name, 0)
	}
}

func skip(d fs.DirEntry) error {
	if d != nil && d.IsDir() {
		return fs.SkipDir
	}
	return nil
}

// manifestIn returns the path of the manifest in a folder, empty for none.
func manifestIn(folder string) string {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return "" // the walk meets the same error and refuses the folder
	}
	for _, e := range entries {
		if !e.IsDir() && strings.EqualFold(e.Name(), ManifestName) {
			return filepath.Join(folder, e.Name())
		}
	}
	return ""
}

// wanted reports whether a file found in a folder is to be read. A file that
// might be a take but cannot be read as one is refused.
func (p *planner) wanted(name string, d fs.DirEntry) bool {
	base := filepath.Base(name)
	switch ending := filepath.Ext(base); {
	case isUnrelated(base):
		return false
	case !isTextEnding(ending):
		p.refuse(name, "has not the ending of a text file", "export takes as text with one of the endings "+strings.Join(textEndings, ", "))
		return false
	case d.Type()&fs.ModeSymlink != 0:
		p.refuse(name, "is a symbolic link", "put the file itself into the folder")
		return false
	case !d.Type().IsRegular():
		p.refuse(name, "is no ordinary file", "put the file itself into the folder")
		return false
	}
	return true
}

// add adds an entry unless its file was planned before. The same file under two
// identities is refused.
func (p *planner) add(e Entry) *Refusal {
	key := realPath(filepath.Join(e.root, e.rel))
	before, ok := p.seen[key]
	if ok && !before.same(e.Identity) {
		return refuse(e.File, 0, "", fmt.Sprintf("was given before as serial %s, channel %s", show(before.Serial), before.Channel),
			"give every file once, under one identity")
	}
	if !ok {
		p.seen[key] = e.Identity
		p.entries = append(p.entries, e)
	}
	return nil
}

func realPath(name string) string {
	if real, err := filepath.EvalSymlinks(name); err == nil {
		name = real
	}
	if full, err := filepath.Abs(name); err == nil {
		name = full
	}
	return name
}

// file plans a file by its head, if it is a wide CSV, or by its name.
func (p *planner) file(root, rel, name string, mode fs.FileMode) {
	if mode&fs.ModeType != 0 {
		p.refuse(name, "is no ordinary file", "give the file itself")
		return
	}
	e := Entry{File: name, root: root, rel: rel, src: p.src}
	r := p.identify(&e)
	if r == nil {
		r = p.add(e)
	}
	if r != nil {
		r.File = name
		p.refused = append(p.refused, r)
	}
}

func (p *planner) identify(e *Entry) *Refusal {
	if ending := strings.ToLower(filepath.Ext(e.File)); (ending == ".csv" || ending == ".tsv") && e.headIsWide() {
		e.Wide = true
		return nil
	}
	id, r := p.o.Pattern.In(p.o.Zone).match(filepath.ToSlash(e.File))
	if r != nil {
		return r
	}
	id = id.or(p.o.Defaults)
	if fe := id.tidy(true); fe != nil {
		return refuse(e.File, 0, fe.Field, fe.Reason, "say it in the file name and the pattern, in a "+ManifestName+", or as a default")
	}
	e.Identity = id
	return nil
}

// plainError drops the path from a file error, since the refusal names it.
func plainError(err error) string {
	if pe := (*fs.PathError)(nil); errors.As(err, &pe) {
		return pe.Err.Error()
	}
	return err.Error()
}
