package access

import "slices"

// A Role is what somebody is allowed to be for the workshop.
type Role string

// The roles of people, and those of tokens.
const (
	Administrator Role = "administrator" // everything, and who else may
	Quality       Role = "quality"       // judges: limits, verdicts, decisions
	Maker         Role = "maker"         // builds, measures, keeps the ledgers
	Licensor      Role = "licensor"      // reads, of all sites, and writes nothing

	Station Role = "station" // sends takes, and reads what became of its units
	Reader  Role = "reader"  // a program that reads
)

// PeopleRoles and TokenRoles list who may have which.
var (
	PeopleRoles = []Role{Administrator, Quality, Maker, Licensor}
	TokenRoles  = []Role{Station, Reader}
)

// A Deed is a sort of thing to do.
type Deed string

// The deeds.
const (
	Open    Deed = "open"    // asks for nobody: health, sign-in, the description for programs
	Own     Deed = "own"     // a person's own account
	Look    Deed = "look"    // reads the workshop's pages and data
	Unit    Deed = "unit"    // reads one unit
	Measure Deed = "measure" // brings takes in
	Keep    Deed = "keep"    // products, parts, drivers, pairings, rig entries, findings
	Judge   Deed = "judge"   // envelopes, limits, rig policies, verdicts, lots
	Admit   Deed = "admit"   // people and tokens
)

// may is the one table of what each role may do.
var may = map[Deed][]Role{
	Own:     {Administrator, Quality, Maker, Licensor},
	Look:    {Administrator, Quality, Maker, Licensor, Reader},
	Unit:    {Administrator, Quality, Maker, Licensor, Reader, Station},
	Measure: {Administrator, Quality, Maker, Station},
	Keep:    {Administrator, Quality, Maker},
	Judge:   {Administrator, Quality},
	Admit:   {Administrator},
}

// May reports whether a role may do a deed. Everybody may do what is open.
func (r Role) May(d Deed) bool { return d == Open || slices.Contains(may[d], r) }

// Deeds lists every deed.
func Deeds() []Deed { return []Deed{Open, Own, Look, Unit, Measure, Keep, Judge, Admit} }
