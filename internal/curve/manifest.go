package curve

import (
	"fmt"
	"strings"
	"time"
)

// ManifestName is the name by which a manifest is found in a folder.
const ManifestName = "manifest.csv"

// A Manifest says which take each file of a folder holds.
type Manifest struct {
	Rows  []ManifestRow
	Notes []string // whole sentences about how the file was read
}

// A ManifestRow is one file of a manifest.
type ManifestRow struct {
	Identity
	File string // relative to the manifest's folder, with slashes, inside it
	Line int
}

var manifestColumns = append([]string{"file"}, identityColumns...)

// ReadManifest reads a manifest. A time without an offset from UTC is taken in
// zone, and refused when zone is nil. One bad row refuses the whole manifest, for
// its files would else seem unlisted; the error is Refusals, with every fault
// found.
//
// Paths are checked by their spelling only: that no symbolic link leads out of
// the folder is checked when a file is opened.
func ReadManifest(name string, data []byte, zone *time.Location) (Manifest, error) {
	m, refused := readManifest(name, data, source{zone: zone})
	if len(refused) > 0 {
		return Manifest{}, Refusals(refused)
	}
	return m, nil
}

func readManifest(name string, data []byte, o source) (Manifest, []*Refusal) {
	s, r := openSheet(name, data)
	if r != nil {
		return Manifest{}, []*Refusal{r}
	}
	at, r := s.places(manifestColumns, func(_ int, cell string) *Refusal {
		return s.refuseHead("has the unknown column "+show(cell), "use the columns "+strings.Join(manifestColumns, ", "))
	})
	if r == nil {
		r = s.lacks(at, o, "file", "serial", "channel")
	}
	if r != nil {
		return Manifest{}, []*Refusal{r}
	}
	m := Manifest{Notes: s.notes}
	var refused []*Refusal
	files, places := map[string]int{}, map[place]int{}
	for row := range s.rows {
		mr, r := s.manifestRow(row, at, o)
		if r == nil {
			r = repeatedRow(s.file, mr, files, places)
		}
		if r != nil {
			refused = append(refused, r)
			continue
		}
		files[mr.File], places[mr.place()] = mr.Line, mr.Line
		m.Rows = append(m.Rows, mr)
	}
	if len(m.Rows)+len(refused) == 0 {
		refused = append(refused, refuse(s.file, 0, "", "has a head but no rows", remedyHalf))
	}
	if len(refused) > 0 {
		return Manifest{}, refused
	}
	return m, nil
}

func (s *sheet) manifestRow(row sheetRow, at map[string]int, o source) (ManifestRow, *Refusal) {
	if row.refused != nil {
		return ManifestRow{}, row.refused
	}
	file, e := insidePath(row.cells[at["file"]])
	if e != nil {
		return ManifestRow{}, e.at(s.file, row.line)
	}
	if strings.EqualFold(file, ManifestName) {
		return ManifestRow{}, refuse(s.file, row.line, "file", "names the manifest itself", "name the file of a take")
	}
	id, r := s.identity(row, at, o)
	if r != nil {
		return ManifestRow{}, r
	}
	return ManifestRow{id, file, row.line}, nil
}

func repeatedRow(manifest string, mr ManifestRow, files map[string]int, places map[place]int) *Refusal {
	if before := files[mr.File]; before > 0 {
		return refuse(manifest, mr.Line, "file", fmt.Sprintf("%s is on line %d too", show(mr.File), before), "list every file once")
	}
	if before := places[mr.place()]; before > 0 {
		return sameTake(manifest, mr.Line, before)
	}
	return nil
}
