package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"alike/internal/store"
)

// What a person may do about a finding.
const (
	Looked = "looked" // someone looked at it; text says what was seen
	Named  = "cause"  // the cause was found
	Action = "action" // something was done against it
	Close  = "closed" // cause and action stand, and the matter is at an end
	Reopen = "reopened"
)

// A Deed is what a person does about a finding. Text is what was seen, the cause, the
// action, or the reason for closing or opening again; Cause and Action may be given with
// closing when they were not named before.
type Deed struct {
	Kind   string
	Text   string
	Cause  string
	Action string
}

// longestText is how many characters a person may write.
const longestText = 1000

// Act records what a person did about a finding, in one transaction with its journal
// entry. Naming a cause or an action again replaces it; the events keep what stood
// before. A finding is closed with a cause and an action, and a closed one is opened
// again with a reason.
func (l *Line) Act(ctx context.Context, by By, number int64, d Deed) (Finding, error) {
	d = Deed{d.Kind, strings.TrimSpace(d.Text), strings.TrimSpace(d.Cause), strings.TrimSpace(d.Action)}
	if err := d.check(); err != nil {
		return Finding{}, err
	}
	err := l.db.InSite(ctx, l.site, func(s store.Site) error {
		row, err := s.Finding(ctx, number)
		if errors.Is(err, store.ErrNotFound) {
			return noFinding(number)
		} else if err != nil {
			return err
		}
		// The product first, as intake has it: the other order would be a deadlock.
		next, err := s.LockProduct(ctx, row.Product)
		if err != nil {
			return err
		}
		if row, err = s.LockFinding(ctx, number); err != nil {
			return err
		}
		if err := d.apply(&row, next-1); err != nil {
			return err
		}
		if row.State == Closed { // it reads like this from now on
			a, err := l.analysed(ctx, s, row)
			if err != nil {
				return err
			}
			if row.Analysis, err = json.Marshal(a); err != nil {
				return err
			}
			row.AnalysedTo = next - 1
		}
		if err := s.SetFinding(ctx, row); err != nil {
			return err
		}
		for _, e := range d.events() {
			e.Finding, e.At, e.Actor, e.Origin, e.Place = number, l.now(), by.Actor, by.Origin, next-1
			if err := s.AddFindingEvent(ctx, e); err != nil {
				return err
			}
		}
		return l.journal(ctx, s, by, "finding: "+d.Kind, fmt.Sprint(number), d.Text, map[string]any{
			"product": row.Product, "cause": row.Cause, "action": row.Action,
		})
	})
	if err != nil {
		return Finding{}, err
	}
	return l.Finding(ctx, number)
}

func (d Deed) check() error {
	switch d.Kind {
	case Looked, Named, Action, Close, Reopen:
	default:
		return refuse(Invalid, "kind", "use looked, cause, action, closed or reopened", "%q is nothing that is done about a finding", d.Kind)
	}
	for field, text := range map[string]string{"text": d.Text, "cause": d.Cause, "action": d.Action} {
		if utf8.RuneCountInString(text) > longestText {
			return refuse(Invalid, field, fmt.Sprintf("use at most %d characters", longestText), "the text is too long")
		}
		if !utf8.ValidString(text) || strings.ContainsRune(text, 0) {
			return refuse(Invalid, field, "use plain text", "the text holds characters that cannot be stored")
		}
	}
	if d.Kind != Close && (d.Cause != "" || d.Action != "") {
		return refuse(Invalid, "cause", "give cause and action apart, or with closing", "cause and action do not go with %q", d.Kind)
	}
	if d.Text == "" {
		return refuse(Invalid, "text", map[string]string{
			Looked: "say what was seen", Named: "say what the cause is", Action: "say what was done",
			Close: "say why the matter is at an end", Reopen: "say why it is not at an end",
		}[d.Kind], "there is no text")
	}
	return nil
}

// apply changes a finding; place is that of the latest unit.
func (d Deed) apply(row *store.FindingRow, place int64) error {
	if row.State == Closed && d.Kind != Reopen {
		return refuse(Conflict, "finding", "open it again first, with a reason", "finding %d is closed", row.Finding)
	}
	switch d.Kind {
	case Named:
		row.Cause = d.Text
	case Action:
		row.Action, row.State, row.ActedPlace = d.Text, Acted, &place
	case Close:
		if d.Cause != "" {
			row.Cause = d.Cause
		}
		if d.Action != "" {
			row.Action = d.Action
		}
		if row.Cause == "" {
			return refuse(Invalid, "cause", "name it: a closed finding teaches only by its cause (\"not found\" is one)", "finding %d has no cause yet", row.Finding)
		}
		if row.Action == "" {
			return refuse(Invalid, "action", "name it (\"none needed\" is one)", "finding %d has no action yet", row.Finding)
		}
		row.State, row.ClosedPlace = Closed, &place
		if row.ActedPlace == nil {
			row.ActedPlace = &place
		}
	case Reopen:
		if row.State == Open {
			return refuse(Conflict, "finding", "there is nothing to do", "finding %d is open", row.Finding)
		}
		row.State, row.ClosedPlace, row.ActedPlace = Open, nil, nil
	}
	return nil
}

// events are what the deed leaves in the finding's record.
func (d Deed) events() (out []store.FindingEvent) {
	if d.Kind == Close {
		if d.Cause != "" {
			out = append(out, store.FindingEvent{Kind: Named, Text: d.Cause})
		}
		if d.Action != "" {
			out = append(out, store.FindingEvent{Kind: Action, Text: d.Action})
		}
	}
	return append(out, store.FindingEvent{Kind: d.Kind, Text: d.Text})
}
