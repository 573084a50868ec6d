package sheet

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
)

// A part is one XML file of the workbook, opened for what the library cannot say;
// for charts (ECMA-376 part 1, DrawingML) that is a logarithmic horizontal axis,
// text at single points, lines without a legend entry, the place of the plot area
// and the outline of marks. The methods keep the order of elements that the
// schema asks for; err is the first failure.
type part struct {
	root *node
	err  error
}

// A node is one element; names keep the prefix that the part uses.
type node struct {
	name  xml.Name
	attrs []xml.Attr
	kids  []*node
	text  string
}

func openPart(raw []byte) (*part, error) {
	dec := xml.NewDecoder(bytes.NewReader(raw))
	var root *node
	var stack []*node
	for {
		tok, err := dec.RawToken()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("part: %w", err)
		}
		switch t := tok.(type) {
		case xml.StartElement:
			n := &node{name: t.Name, attrs: append([]xml.Attr{}, t.Attr...)}
			if len(stack) > 0 {
				top := stack[len(stack)-1]
				top.kids = append(top.kids, n)
			} else {
				root = n
			}
			stack = append(stack, n)
		case xml.EndElement:
			if len(stack) == 0 || stack[len(stack)-1].name != t.Name {
				return nil, fmt.Errorf("part: </%s> closes nothing", written(t.Name))
			}
			stack = stack[:len(stack)-1]
		case xml.CharData:
			if len(stack) > 0 {
				stack[len(stack)-1].text += string(t)
			}
		}
	}
	if root == nil || len(stack) > 0 {
		return nil, errors.New("part ends too early")
	}
	return &part{root: root}, nil
}

func (p *part) bytes() ([]byte, error) {
	var buf bytes.Buffer
	buf.WriteString(xml.Header)
	p.root.write(&buf)
	return buf.Bytes(), p.err
}

func written(n xml.Name) string {
	if n.Space == "" {
		return n.Local
	}
	return n.Space + ":" + n.Local
}

func (n *node) write(buf *bytes.Buffer) {
	buf.WriteString("<" + written(n.name))
	for _, a := range n.attrs {
		buf.WriteString(" " + written(a.Name) + `="`)
		_ = xml.EscapeText(buf, []byte(a.Value)) // a Buffer never fails
		buf.WriteString(`"`)
	}
	if len(n.kids) == 0 && n.text == "" {
		buf.WriteString("/>")
		return
	}
	buf.WriteString(">")
	_ = xml.EscapeText(buf, []byte(n.text))
	for _, k := range n.kids {
		k.write(buf)
	}
	buf.WriteString("</" + written(n.name) + ">")
}

// find returns the first element along a path of local names, or an empty one
// after noting the failure.
func (p *part) find(n *node, path ...string) *node {
	for _, name := range path {
		var next *node
		for _, k := range n.kids {
			if k.name.Local == name {
				next = k
				break
			}
		}
		if next == nil {
			if p.err == nil {
				p.err = fmt.Errorf("part has no element %s", name)
			}
			return &node{}
		}
		n = next
	}
	return n
}

// all returns every element of a local name below n, in order.
func (n *node) all(name string) []*node {
	var out []*node
	for _, k := range n.kids {
		if k.name.Local == name {
			out = append(out, k)
		}
		out = append(out, k.all(name)...)
	}
	return out
}

// drop removes children by their local names.
func (n *node) drop(names ...string) {
	kept := n.kids[:0]
	for _, k := range n.kids {
		if !slices.Contains(names, k.name.Local) {
			kept = append(kept, k)
		}
	}
	n.kids = kept
}

// after puts a child behind the last of the named children, or first.
func (n *node) after(kid *node, names ...string) {
	at := 0
	for i, k := range n.kids {
		if slices.Contains(names, k.name.Local) {
			at = i + 1
		}
	}
	n.kids = slices.Insert(n.kids, at, kid)
}

// el makes an element of the chart name space with a value attribute unless the
// value is empty.
func (p *part) el(name, val string, kids ...*node) *node {
	n := &node{name: xml.Name{Space: p.root.name.Space, Local: name}, kids: kids}
	if val != "" {
		n.attrs = []xml.Attr{{Name: xml.Name{Local: "val"}, Value: val}}
	}
	return n
}

// dr makes an element of the drawing name space.
func dr(name string, attrs []string, kids ...*node) *node {
	n := &node{name: xml.Name{Space: "a", Local: name}, kids: kids}
	for i := 0; i+1 < len(attrs); i += 2 {
		n.attrs = append(n.attrs, xml.Attr{Name: xml.Name{Local: attrs[i]}, Value: attrs[i+1]})
	}
	return n
}

func fill(colour string) *node {
	return dr("solidFill", nil, dr("srgbClr", []string{"val", colour[1:]}))
}

func (p *part) series(i int) *node {
	ser := p.root.all("ser")
	if i >= len(ser) {
		if p.err == nil {
			p.err = fmt.Errorf("part has no series %d", i)
		}
		return &node{}
	}
	return ser[i]
}

func itoa(i int) string { return strconv.Itoa(i) }
