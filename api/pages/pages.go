// Package pages renders the pages that people work with: templates, style and
// scripts, all embedded. It knows how a page looks and nothing of where its
// numbers come from.
//
// A page is a template html/NAME.html that defines "main"; html/layout.html stands
// around it. Scripts and styles lie in static and are addressed by the hash of
// their content, so that a browser may keep them for ever.
package pages

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"path"
	"strings"
)

//go:embed html static
var files embed.FS

// A View is one page with what the layout shows around it.
type View struct {
	Title   string            // of the page; the layout adds the workshop
	Here    string            // address of the entry of Menu that the page belongs to
	Site    string            // name of the workshop
	Version string            // of the program
	Query   string            // in the search box
	Person  string            // who is signed in
	Role    string            // their role
	Refused map[string]string // by deed, what a page says in place of a form that the role may not send
	Anybody bool              // nobody has to sign in: the page says so
	Bare    bool              // without menu and search: there is nothing to go to yet
	Live    bool              // the page renews its parts marked data-live when the line changes
	Script  string            // a script of the page's own, beside app.js
	Module  string            // a script of the page's own that is a module
	Base    string            // a style sheet that Style builds upon
	Style   string            // a style sheet of the page's own, beside app.css
	ReadAs  []string          // which rigs are read as another, in whole sentences, on pages that show levels
	Body    any               // what the page's own template reads
}

// A MenuEntry is one question of the maker and where it is answered.
type MenuEntry struct{ Href, Name string }

// Menu lists the pages that every page leads to.
var Menu = []MenuEntry{
	{"/", "Line"}, {"/findings", "Findings"}, {"/drift", "Drift map"}, {"/units", "Units"}, {"/lots", "Lots"}, {"/rig", "Rig"}, {"/drivers", "Drivers"}, {"/parts", "Parts"}, {"/products", "Products"}, {"/journal", "Journal"}, {"/try", "Try a curve"},
}

// May reports whether who looks may do a deed of internal/access; the page offers no
// form otherwise, but Refusal.
func (v View) May(deed string) bool { return v.Refused[deed] == "" }

// Refusal says whose task a deed is; empty for those who may.
func (v View) Refusal(deed string) string { return v.Refused[deed] }

// Menu returns the entries for the layout.
func (v View) Menu() []MenuEntry { return Menu }

var templates = parse()

// parse reads the layout and the parts that pages share once, and each page beside
// them.
func parse() map[string]*template.Template {
	base := template.Must(template.New("layout.html").Funcs(functions).ParseFS(files, "html/layout.html", "html/part_*.html"))
	names, err := fs.Glob(files, "html/*.html")
	if err != nil {
		panic("pages: " + err.Error())
	}
	out := map[string]*template.Template{}
	for _, f := range names {
		name := strings.TrimSuffix(path.Base(f), ".html")
		if name == "layout" || strings.HasPrefix(name, "part_") {
			continue
		}
		out[name] = template.Must(template.Must(base.Clone()).ParseFS(files, f))
	}
	return out
}

// Render writes a page. Nothing is written when it fails.
func Render(w io.Writer, name string, v View) error {
	t, ok := templates[name]
	if !ok {
		return fmt.Errorf("there is no page %q", name)
	}
	var b bytes.Buffer
	if err := t.Execute(&b, v); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}
