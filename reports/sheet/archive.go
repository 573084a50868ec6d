package sheet

import (
	"archive/zip"
	"bytes"
	"cmp"
	"io"
	"slices"

	"github.com/xuri/excelize/v2"
)

const typesPart = "[Content_Types].xml"

// steadyZip puts the list of content types in a fixed order. The library fills
// it from a map, so that two files of the same lot would differ in it.
type steadyZip struct {
	*zip.Writer
	types *bytes.Buffer // nil until the part is written, empty afterwards
}

func newSteadyZip(w io.Writer) excelize.ZipWriter { return &steadyZip{Writer: zip.NewWriter(w)} }

func (z *steadyZip) Create(name string) (io.Writer, error) {
	if name == typesPart {
		z.types = &bytes.Buffer{}
		return z.types, nil
	}
	return z.Writer.Create(name)
}

func (z *steadyZip) Close() error {
	if z.types != nil {
		p, err := openPart(z.types.Bytes())
		if err != nil {
			return err
		}
		slices.SortStableFunc(p.root.kids, func(a, b *node) int {
			return cmp.Or(cmp.Compare(a.name.Local, b.name.Local), cmp.Compare(a.key(), b.key()))
		})
		out, err := p.bytes()
		if err != nil {
			return err
		}
		w, err := z.Writer.Create(typesPart)
		if err != nil {
			return err
		}
		if _, err := w.Write(out); err != nil {
			return err
		}
	}
	return z.Writer.Close()
}

// key is what an entry of the content types is about.
func (n *node) key() string {
	for _, a := range n.attrs {
		if a.Name.Local == "Extension" || a.Name.Local == "PartName" {
			return a.Value
		}
	}
	return ""
}
