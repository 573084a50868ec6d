package curve

import (
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
)

// manifest plans a folder by its manifest.
func (p *planner) manifest(folder, base string) {
	name := filepath.Join(folder, base)
	key := realPath(name)
	if p.manifests[key] {
		return
	}
	p.manifests[key] = true
	m := Entry{File: name, root: folder, rel: base}
	data, r := m.read()
	if r != nil {
		p.refused = append(p.refused, r)
		return
	}
	list, refused := readManifest(name, data, p.src)
	if len(refused) > 0 {
		p.refused = append(p.refused, refused...)
		return
	}
	listed := map[string]bool{}
	for _, row := range list.Rows {
		listed[row.File] = true
		p.listed(folder, name, row)
	}
	p.unlisted(folder, name, listed)
}

// listed plans one row of a manifest.
func (p *planner) listed(folder, manifest string, row ManifestRow) {
	e := Entry{File: filepath.Join(folder, filepath.FromSlash(row.File)), Identity: row.Identity, root: folder, rel: filepath.FromSlash(row.File), src: p.src}
	r := e.findable()
	if r == nil {
		r = p.add(e)
	}
	if r != nil {
		r.File, r.Line, r.Field, r.Reason = manifest, row.Line, "file", show(row.File)+" "+r.Reason
		p.refused = append(p.refused, r)
	}
}

// unlisted refuses the files of a manifest's folder that it does not list.
func (p *planner) unlisted(folder, manifest string, listed map[string]bool) {
	var extra []string
	err := filepath.WalkDir(folder, func(name string, d fs.DirEntry, err error) error {
		rel, _ := filepath.Rel(folder, name)
		switch {
		case err != nil:
			p.refuse(name, "cannot be read: "+plainError(err), "check the permissions")
			return skip(d)
		case d.IsDir() && rel != "." && strings.HasPrefix(d.Name(), "."):
			return fs.SkipDir
		case d.IsDir(), name == manifest, listed[filepath.ToSlash(rel)], isUnrelated(d.Name()):
		default:
			extra = append(extra, name)
		}
		return nil
	})
	if err != nil {
		p.refuse(folder, "cannot be read: "+plainError(err), "check the permissions")
	}
	slices.SortFunc(extra, natural)
	for _, name := range extra {
		remedy := "add a row for it to " + manifest + ", or move it away"
		if strings.EqualFold(filepath.Base(name), ManifestName) {
			remedy = "keep one manifest for a folder and those below it, or give the folders one by one"
		}
		p.refuse(name, "is not in manifest "+manifest, remedy)
	}
}
