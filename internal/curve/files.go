package curve

import (
	"maps"
	"path"
	"slices"
	"strings"
)

// A File is one file that lies in memory, such as one that a browser sent.
type File struct {
	Name string // as its sender calls it, with slashes if it lay in a folder
	Data []byte
}

// ReadFiles reads files that were sent together as Plan reads a folder: by the
// manifest.csv among them, else by the pattern and the defaults, or as wide CSV.
// Takes and refusals name the file; two files of one identity are refused.
func ReadFiles(files []File, o Options) ([]Take, []*Refusal) {
	m := memory{o: o, src: source{zone: o.Zone, defaults: o.Defaults}, taken: map[place]string{}}
	listed, ok := m.manifest(files)
	if !ok {
		return nil, m.refused
	}
	for _, f := range files {
		base := path.Base(f.Name)
		row, known := listed[base]
		switch {
		case strings.EqualFold(base, ManifestName):
		case known:
			m.text(f, row.Identity.or(o.Defaults))
		case listed != nil:
			m.refuse(f.Name, "is not in the manifest", "add a row for it, or leave it out")
		case isWideData(f.Data[:min(len(f.Data), 1<<20)]):
			takes, refused := readWide(f.Name, f.Data, m.src)
			m.refused = append(m.refused, refused...)
			for _, t := range takes {
				m.add(t)
			}
		default:
			m.named(f)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(listed)) {
		if !sent(files, name) {
			m.refuse(ManifestName, "lists "+show(name)+", which was not sent", "send it too, or take it out of the list")
		}
	}
	return m.takes, m.refused
}

func sent(files []File, name string) bool {
	for _, f := range files {
		if path.Base(f.Name) == name {
			return true
		}
	}
	return false
}

type memory struct {
	o       Options
	src     source
	taken   map[place]string // identity → file that has it
	takes   []Take
	refused []*Refusal
}

func (m *memory) refuse(file, reason, remedy string) {
	m.refused = append(m.refused, refuse(file, 0, "", reason, remedy))
}

// manifest reads the manifest among the files. Its rows are known by the name alone:
// a browser sends no folders. It is nil without one, and ok is false when it is bad.
func (m *memory) manifest(files []File) (rows map[string]ManifestRow, ok bool) {
	for _, f := range files {
		if !strings.EqualFold(path.Base(f.Name), ManifestName) {
			continue
		}
		list, refused := readManifest(f.Name, f.Data, m.src)
		if len(refused) > 0 {
			m.refused = append(m.refused, refused...)
			return nil, false
		}
		rows = map[string]ManifestRow{}
		for _, r := range list.Rows {
			base := path.Base(r.File)
			if _, twice := rows[base]; twice {
				m.refused = append(m.refused, refuse(f.Name, r.Line, "file", show(base)+" stands in two folders", "send the files of one folder at a time"))
				return nil, false
			}
			rows[base] = r
		}
	}
	return rows, true
}

// named reads a text whose name, with the defaults, says what it is.
func (m *memory) named(f File) {
	var id Identity
	if m.o.Pattern.String() != "" {
		var r *Refusal
		if id, r = m.o.Pattern.match(f.Name); r != nil {
			m.refused = append(m.refused, r)
			return
		}
	}
	m.text(f, id.or(m.o.Defaults))
}

func (m *memory) text(f File, id Identity) {
	if fault := id.tidy(true); fault != nil {
		m.refused = append(m.refused, fault.at(f.Name, 0))
		return
	}
	c, notes, r := readText(f.Name, f.Data)
	if r != nil {
		m.refused = append(m.refused, r)
		return
	}
	m.add(Take{Identity: id, Curve: c, Source: Source{File: f.Name}, Notes: notes})
}

func (m *memory) add(t Take) {
	if first, twice := m.taken[t.place()]; twice {
		m.refused = append(m.refused, refuse(t.Source.File, t.Source.Line, "", "says it is the same take as "+show(first), "name the files apart, or send one of them"))
		return
	}
	m.taken[t.place()] = t.Source.File
	m.takes = append(m.takes, t)
}
