package sheet

import "github.com/xuri/excelize/v2"

// A page is how a sheet is seen and printed.
type page struct {
	landscape bool
	oneHigh   bool   // fit to one page, not only to one page's width
	natural   bool   // print at natural size: page breaks count only then
	titles    string // rows repeated on every page, "$4:$4"
	freezeCol int    // columns that stay when scrolling right
	freezeRow int
}

// small sets the type of a page header or footer. The space ends the size: a
// product called 40 mm would otherwise be printed 840 points high.
const small = `&"Arial,Regular"&8 `

// setup finishes a sheet. It must come after the filter, which resets the
// properties of the sheet.
func (b *book) setup(sheet string, p page) {
	if b.err != nil {
		return
	}
	orientation, wide, high := "portrait", 1, 0
	if p.landscape {
		orientation = "landscape"
	}
	if p.oneHigh {
		high = 1
	}
	layout := &excelize.PageLayoutOptions{Size: &b.paper, Orientation: &orientation}
	if p.natural {
		scale := uint(100)
		layout.AdjustTo = &scale
	} else {
		layout.FitToWidth, layout.FitToHeight = &wide, &high
	}
	b.keep(b.f.SetPageLayout(sheet, layout))
	fit := !p.natural
	b.keep(b.f.SetSheetProps(sheet, &excelize.SheetPropsOptions{FitToPage: &fit}))
	side, top, bottom, edge, yes := 0.4, 0.65, 0.6, 0.3, true
	b.keep(b.f.SetPageMargins(sheet, &excelize.PageLayoutMarginsOptions{
		Left: &side, Right: &side, Top: &top, Bottom: &bottom, Header: &edge, Footer: &edge, Horizontally: &yes,
	}))
	own := false // small print stays readable where the sheet is scaled down
	b.keep(b.f.SetHeaderFooter(sheet, &excelize.HeaderFooterOptions{
		ScaleWithDoc: &own,
		OddHeader:    `&L` + small + b.what + ` ` + headerText(b.lot.Code) + `&R` + small + headerText(b.lot.Product) + `, ` + headerText(b.lot.Site),
		OddFooter:    `&L` + small + `&A&R` + small + `page &P of &N`,
	}))
	if p.titles != "" {
		b.keep(b.f.SetDefinedName(&excelize.DefinedName{
			Name: "_xlnm.Print_Titles", RefersTo: "'" + sheet + "'!" + p.titles, Scope: sheet,
		}))
	}
	grid := false
	b.keep(b.f.SetSheetView(sheet, 0, &excelize.ViewOptions{ShowGridLines: &grid}))
	if p.freezeRow > 0 {
		b.freeze(sheet, p)
	}
}

func (b *book) freeze(sheet string, p page) {
	pane := "bottomLeft"
	if p.freezeCol > 0 {
		pane = "bottomRight"
	}
	b.keep(b.f.SetPanes(sheet, &excelize.Panes{
		Freeze: true, XSplit: p.freezeCol, YSplit: p.freezeRow,
		TopLeftCell: at(p.freezeCol+1, p.freezeRow+1), ActivePane: pane,
		Selection: []excelize.Selection{{ActiveCell: at(p.freezeCol+1, p.freezeRow+1), SQRef: at(p.freezeCol+1, p.freezeRow+1), Pane: pane}},
	}))
}

// areaOnly limits what is printed of a sheet.
func (b *book) areaOnly(sheet, area string) {
	if b.err == nil {
		b.keep(b.f.SetDefinedName(&excelize.DefinedName{
			Name: "_xlnm.Print_Area", RefersTo: "'" + sheet + "'!" + area, Scope: sheet,
		}))
	}
}
