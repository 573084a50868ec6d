package pages

import (
	"crypto/sha256"
	"fmt"
	"io/fs"
	"mime"
	"path"
	"regexp"
	"strings"

	"alike/reports/plot"
)

// AssetRoot is the address below which assets are served.
const AssetRoot = "/static/"

// An Asset is a file that pages load.
type Asset struct {
	Path    string // address, with the hash of the content
	Type    string
	Content []byte
}

var (
	assetByName = map[string]Asset{}
	assetByPath = map[string]Asset{}
)

func init() {
	names, err := fs.Glob(files, "static/*")
	if err != nil {
		panic("pages: " + err.Error())
	}
	var sheets []string
	for _, f := range names {
		switch name := path.Base(f); path.Ext(name) {
		case ".css":
			sheets = append(sheets, name)
		case ".mjs":
			addModule(name)
		default:
			add(name, read(name))
		}
	}
	add("palette.css", palette())
	for _, name := range sheets { // last, for they name the others
		add(name, reference.ReplaceAllFunc(read(name), func(m []byte) []byte {
			return []byte("url(" + AssetPath(string(reference.FindSubmatch(m)[1])) + ")")
		}))
	}
}

// addModule adds a module after the modules that it imports, whose addresses hold the
// hash of their content.
func addModule(name string) {
	if _, done := assetByName[name]; done {
		return
	}
	add(name, imported.ReplaceAllFunc(read(name), func(m []byte) []byte {
		other := string(imported.FindSubmatch(m)[1])
		addModule(other)
		return []byte(`from "` + AssetPath(other) + `"`)
	}))
}

// imported is how a module names another one.
var imported = regexp.MustCompile(`from "\./([a-z0-9._-]+)"`)

// reference is how a style sheet names another asset.
var reference = regexp.MustCompile(`url\(([a-z0-9._-]+)\)`)

func read(name string) []byte {
	b, err := files.ReadFile("static/" + name)
	if err != nil {
		panic("pages: " + err.Error())
	}
	return b
}

func add(name string, content []byte) {
	ext := path.Ext(name)
	kind := mime.TypeByExtension(ext)
	switch ext { // the system's table may say otherwise
	case ".css":
		kind = "text/css; charset=utf-8"
	case ".js", ".mjs":
		kind = "text/javascript; charset=utf-8"
	case ".svg":
		kind = "image/svg+xml"
	}
	hash := sha256.Sum256(content)
	path := fmt.Sprintf("%s%s.%x%s", AssetRoot, strings.TrimSuffix(name, ext), hash[:8], ext)
	a := Asset{Path: path, Type: kind, Content: content}
	assetByName[name], assetByPath[a.Path] = a, a
}

// AssetPath returns the address of an asset by its name in static.
func AssetPath(name string) string {
	a, ok := assetByName[name]
	if !ok {
		panic("pages: there is no asset " + name)
	}
	return a.Path
}

// AssetAt returns the asset at an address.
func AssetAt(path string) (Asset, bool) {
	a, ok := assetByPath[path]
	return a, ok
}

// palette gives the colours of pictures and verdicts to style sheets as custom
// properties, so that pages, pictures and spreadsheets have one palette.
func palette() []byte {
	var b strings.Builder
	b.WriteString(":root {\n")
	for _, c := range []struct{ name, value string }{
		{"black", plot.Black}, {"orange", plot.Orange}, {"sky", plot.Sky}, {"green", plot.Green}, {"yellow", plot.Yellow},
		{"blue", plot.Blue}, {"vermillion", plot.Vermillion}, {"purple", plot.Purple}, {"text", plot.Text}, {"muted", plot.Muted},
		{"faint", plot.Faint}, {"rule", plot.Rule},
	} {
		fmt.Fprintf(&b, "\t--plot-%s: %s;\n", c.name, c.value)
	}
	for i, c := range plot.Diverging {
		fmt.Fprintf(&b, "\t--plot-diverging-%d: %s;\n", i, c)
	}
	b.WriteString("}\n")
	for _, word := range append(append([]string{}, plot.Words...), "accept", "refuse", "not complete", "") {
		l := plot.LookOf(word)
		fmt.Fprintf(&b, ".look-%s { --look: %s; --tint: %s; }\n", class(word), l.Colour, l.Tint)
	}
	return []byte(b.String())
}

// class makes the part of a class name that belongs to a verdict or proposal word.
func class(word string) string {
	for _, w := range append(append([]string{}, plot.Words...), "accept", "refuse", "not complete") {
		if w == word {
			return strings.ReplaceAll(word, " ", "-")
		}
	}
	return "other"
}
