package curve

import (
	"fmt"
	"path"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// Longest texts of an identity, in characters.
const (
	longestName   = 64
	longestReason = 1000
	mostSeatings  = 9999
)

// identityColumns are the column heads of an identity, in the order in which
// they are written and named in messages.
var identityColumns = []string{
	"serial", "channel", "seating", "attempt", "product", "lot",
	"station", "operator", "measured_at", "reason",
}

// Normal returns id in the form in which it is stored: texts trimmed and in
// Unicode normal form C, the channel as Channel gives it. The error is a
// *FieldError. Serial and channel must be there; the rest may be empty.
//
// A serial has 1 to 64 printable characters and no path separator, since it
// becomes part of file names and addresses; so has a lot when it is given.
func (id Identity) Normal() (Identity, error) {
	if e := id.tidy(true); e != nil {
		return Identity{}, e
	}
	return id, nil
}

// tidy is Normal in place. Without whole, serial and channel may be empty too.
func (id *Identity) tidy(whole bool) *FieldError {
	for _, f := range []struct {
		name   string
		text   *string
		rule   func(field, s string) (string, *FieldError)
		needed bool
	}{
		{"serial", &id.Serial, nameInPaths, whole},
		{"channel", &id.Channel, channelName, whole},
		{"product", &id.Product, plainName, false},
		{"lot", &id.Lot, nameInPaths, false},
		{"station", &id.Station, plainName, false},
		{"operator", &id.Operator, plainName, false},
		{"reason", &id.Reason, sentence, false},
	} {
		s, e := f.rule(f.name, *f.text)
		if e != nil {
			return e
		}
		if s == "" && f.needed {
			return &FieldError{f.name, "is empty", "give the " + f.name + " of every take"}
		}
		*f.text = s
	}
	if id.Seating < 0 || id.Seating > mostSeatings {
		return countError("seating", strconv.Itoa(id.Seating))
	}
	if id.Attempt < 0 || id.Attempt > mostSeatings {
		return countError("attempt", strconv.Itoa(id.Attempt))
	}
	return nil
}

// set puts the text of one column into id. A time without an offset from UTC is
// taken in zone, and refused when zone is nil.
func (id *Identity) set(column, text string, zone *time.Location) *FieldError {
	text = strings.TrimSpace(text)
	var e *FieldError
	switch column {
	case "serial":
		id.Serial = text
	case "channel":
		id.Channel = text
	case "product":
		id.Product = text
	case "lot":
		id.Lot = text
	case "station":
		id.Station = text
	case "operator":
		id.Operator = text
	case "reason":
		id.Reason = text
	case "seating":
		id.Seating, e = count(column, text)
	case "attempt":
		id.Attempt, e = count(column, text)
	case "measured_at":
		id.MeasuredAt, e = moment(column, text, zone)
	default:
		panic("curve: no identity column " + column)
	}
	return e
}

func plainName(field, s string) (string, *FieldError) { return printable(field, s, longestName) }
func sentence(field, s string) (string, *FieldError)  { return printable(field, s, longestReason) }

func nameInPaths(field, s string) (string, *FieldError) {
	s, e := printable(field, s, longestName)
	if e != nil {
		return "", e
	}
	if strings.ContainsAny(s, `/\`) || s == "." || s == ".." {
		return "", &FieldError{field, show(s) + " would be a path", "use no / and no \\ in a " + field}
	}
	return s, nil
}

func channelName(field, s string) (string, *FieldError) {
	s, e := nameInPaths(field, s)
	return Channel(s), e
}

func printable(field, s string, most int) (string, *FieldError) {
	s = norm.NFC.String(strings.TrimSpace(s))
	if n := utf8.RuneCountInString(s); n > most {
		return "", &FieldError{field, fmt.Sprintf("has %d characters", n), fmt.Sprintf("use at most %d", most)}
	}
	for _, r := range s {
		if !unicode.IsPrint(r) || r == utf8.RuneError {
			return "", &FieldError{field, fmt.Sprintf("%s holds the character %U", show(s), r),
				"use letters, digits, signs and plain spaces only"}
		}
	}
	return s, nil
}

// Channel returns the channel word in the form products use: left, right and
// mono also for l, r and m in either case. Any other word is trimmed and
// lower-cased, for the product to accept or refuse.
func Channel(s string) string {
	s = strings.ToLower(strings.TrimSpace(s))
	switch s {
	case "l":
		return "left"
	case "r":
		return "right"
	case "m":
		return "mono"
	}
	return s
}

func count(field, s string) (int, *FieldError) {
	if s == "" {
		return 0, nil
	}
	n, err := strconv.ParseUint(s, 10, 32)
	if err != nil || n < 1 || n > mostSeatings {
		return 0, countError(field, s)
	}
	return int(n), nil
}

func countError(field, s string) *FieldError {
	return &FieldError{field, show(s) + " is not a count from 1",
		fmt.Sprintf("write a whole number from 1 to %d, or leave it empty", mostSeatings)}
}

const remedyTime = "write 2006-01-02T15:04:05+01:00, or 2006-01-02 15:04 in the workshop's time zone"

func moment(field, s string, zone *time.Location) (time.Time, *FieldError) {
	if s == "" {
		return time.Time{}, nil
	}
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t, nil
	}
	for _, layout := range []string{"2006-01-02 15:04:05", "2006-01-02 15:04"} {
		clock, err := time.Parse(layout, s)
		if err != nil {
			continue
		}
		if zone == nil {
			return time.Time{}, &FieldError{field, show(s) + " has no offset from UTC",
				"add the offset, as in 2006-01-02T15:04:05+01:00, or say the workshop's time zone"}
		}
		t, err := time.ParseInLocation(layout, s, zone)
		// A time inside the hour skipped in spring is shifted by ParseInLocation.
		if err != nil || t.Format(layout) != clock.Format(layout) {
			return time.Time{}, &FieldError{field, show(s) + " does not exist in " + zone.String(),
				"correct the rig's clock, or add the offset from UTC"}
		}
		return t, nil
	}
	return time.Time{}, &FieldError{field, show(s) + " is not a time", remedyTime}
}

// insidePath returns the slash path p, cleaned, when it stays inside the folder
// it is relative to.
func insidePath(p string) (string, *FieldError) {
	const field = "file"
	bad := func(reason, remedy string) (string, *FieldError) {
		return "", &FieldError{field, reason, remedy}
	}
	const remedy = "name the file relative to the manifest's folder, below it"
	switch clean := path.Clean(p); {
	case p == "":
		return bad("is empty", "name the file of every row")
	case strings.IndexFunc(p, unicode.IsControl) >= 0 || !utf8.ValidString(p) || strings.ContainsRune(p, utf8.RuneError):
		return bad(show(p)+" holds a character no file name should have", "rename the file")
	case strings.Contains(p, `\`):
		return bad(show(p)+" holds a backslash", "write / between folders")
	case path.IsAbs(p) || (len(p) > 1 && p[1] == ':'):
		return bad(show(p)+" is an absolute path", remedy)
	case clean == "." || clean == ".." || strings.HasPrefix(clean, "../") || hasDotDot(p):
		return bad(show(p)+" leaves the manifest's folder", remedy)
	case strings.HasSuffix(p, "/"):
		return bad(show(p)+" is a folder", "name one file on each row")
	default:
		return clean, nil
	}
}

func hasDotDot(p string) bool {
	for part := range strings.SplitSeq(p, "/") {
		if part == ".." {
			return true
		}
	}
	return false
}
