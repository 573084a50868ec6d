package line_test

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"alike/internal/line"
	"alike/internal/store"
	"alike/internal/store/storetest"

	"github.com/jackc/pgx/v5"
)

const (
	password = "seven teal otters knit"
	another  = "eleven grey cranes hum"
)

// A watch is a clock that a test sets.
type watch struct {
	mu sync.Mutex
	at time.Time
}

func (w *watch) now() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.at
}

func (w *watch) goOn(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.at = w.at.Add(d)
}

// staffed returns a line where Savka is administrator, with a clock.
func staffed(t *testing.T) (*line.Line, *store.DB, *watch, string) {
	t.Helper()
	url := storetest.URL(t)
	db, err := store.Open(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	w := &watch{at: moment}
	l := line.New(db, "main", w.now)
	if err := l.Open(t.Context(), tester, "Test workshop", "UTC"); err != nil {
		t.Fatal(err)
	}
	link, err := l.FirstLink(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := l.Accept(t.Context(), "console", link, "Savka", password); err != nil {
		t.Fatal(err)
	}
	return l, db, w, url
}

// refused fails unless an error is a refusal about a field.
func refusedFor(t *testing.T, err error, field, part string) {
	t.Helper()
	var r *line.Refusal
	if !errors.As(err, &r) || r.Field != field || !strings.Contains(r.Reason, part) || r.Remedy == "" {
		t.Errorf("got %v, want a refusal of %s that says %q", err, field, part)
	}
}

func admit(t *testing.T, l *line.Line, name, role string) {
	t.Helper()
	if err := l.AddPerson(t.Context(), tester, name, role); err != nil {
		t.Fatal(err)
	}
	link, _, err := l.Invite(t.Context(), tester, name)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := l.Accept(t.Context(), "test", link, "", password); err != nil {
		t.Fatal(err)
	}
}

func TestFirstLinkWorksOnceAndRunsOut(t *testing.T) {
	t.Parallel()
	db := storetest.Open(t)
	ctx := t.Context()
	w := &watch{at: moment}
	l := line.New(db, "main", w.now)
	if err := l.Open(ctx, tester, "W", "UTC"); err != nil {
		t.Fatal(err)
	}
	old, err := l.FirstLink(ctx)
	if err != nil || len(old) != 43 {
		t.Fatalf("%q (%v)", old, err)
	}
	link, err := l.FirstLink(ctx)
	if err != nil || link == old {
		t.Fatalf("%q (%v)", link, err)
	}
	_, err = l.Accept(ctx, "c", old, "Savka", password)
	refusedFor(t, err, "link", "used already")
	for _, weak := range []string{"", "short", "passwordpassword", "savkasavkasavka", "123456789012", strings.Repeat("x", 129)} {
		_, err = l.Accept(ctx, "c", link, "Savka", weak)
		refusedFor(t, err, "password", "the password")
	}
	for _, odd := range []string{"", " ", "a\x00b", "station 5", "alike", strings.Repeat("n", 65), "x\u202ey", "\xff"} {
		_, err = l.Accept(ctx, "c", link, odd, password)
		refusedFor(t, err, "name", "name")
	}
	w.goOn(line.FirstLinkLasts)
	_, err = l.Accept(ctx, "c", link, "Savka", password)
	refusedFor(t, err, "link", "run out")
	if link, err = l.FirstLink(ctx); err != nil {
		t.Fatal(err)
	}
	s, err := l.Accept(ctx, "c", link, " Savka  H. ", password)
	if err != nil || s.Person != "Savka H." || s.Role != "administrator" {
		t.Fatalf("%+v (%v)", s, err)
	}
	_, err = l.Accept(ctx, "c", link, "Mallory", password)
	refusedFor(t, err, "link", "used already")
	if link, err := l.FirstLink(ctx); err != nil || link != "" {
		t.Errorf("with an administrator there is the link %q (%v)", link, err)
	}
}

func TestSignInAndLockOut(t *testing.T) {
	t.Parallel()
	l, db, w, _ := staffed(t)
	ctx := t.Context()
	s, err := l.SignIn(ctx, "desk", "sAVKA", password)
	if err != nil || s.Person != "Savka" {
		t.Fatalf("%+v (%v)", s, err)
	}
	var no *line.NotSignedIn
	for _, name := range []string{"Savka", "Nobody"} { // a name that there is behaves as one that is not
		for n := 1; n < line.MostTries; n++ {
			if _, err = l.SignIn(ctx, "desk", name, "wrong"); !errors.As(err, &no) || no.Left != line.MostTries-n || !no.Until.IsZero() {
				t.Fatalf("%s, try %d: %+v (%v)", name, n, no, err)
			}
		}
		if _, err = l.SignIn(ctx, "desk", name, "wrong"); !errors.As(err, &no) || !no.Until.Equal(moment.Add(line.LockLasts)) {
			t.Errorf("%s, the last try: %+v (%v)", name, no, err)
		}
		if _, err = l.SignIn(ctx, "desk", name, password); !errors.As(err, &no) || no.Until.IsZero() {
			t.Errorf("%s, locked, with the right password: %v", name, err)
		}
	}
	entries, err := db.Site("main").JournalAbout(ctx, "Savka", 0, 100)
	if err != nil || entries[len(entries)-1].Action != "lock sign-in" {
		t.Errorf("the journal ends with %+v (%v)", entries[len(entries)-1], err)
	}
	if entries, err := db.Site("main").JournalAbout(ctx, "Nobody", 0, 100); err != nil || len(entries) > 0 {
		t.Errorf("an unknown name stands in the journal: %+v (%v)", entries, err)
	}
	w.goOn(line.LockLasts)
	if _, err = l.SignIn(ctx, "desk", "Savka", "wrong"); !errors.As(err, &no) || no.Left != line.MostTries-1 {
		t.Errorf("after the lock: %+v (%v)", no, err)
	}
	if _, err = l.SignIn(ctx, "desk", "Savka", password); err != nil {
		t.Errorf("after the lock, with the right password: %v", err)
	}
	// The right password begins the count anew, also as the last try.
	for range line.MostTries - 1 {
		_, _ = l.SignIn(ctx, "desk", "Savka", "wrong")
	}
	for range 2 {
		if _, err = l.SignIn(ctx, "desk", "Savka", password); err != nil {
			t.Errorf("the right password as the last try: %v", err)
		}
	}
}

// Guesses at the same time are all counted.
func TestGuessesAtOnce(t *testing.T) {
	t.Parallel()
	l, _, _, _ := staffed(t)
	var looked, locked sync.Map
	var all sync.WaitGroup
	for i := range 3 * line.MostTries {
		all.Go(func() {
			_, err := l.SignIn(context.WithoutCancel(t.Context()), "x", "Savka", "wrong")
			var no *line.NotSignedIn
			if errors.As(err, &no) && no.Left == 0 && !no.Until.IsZero() {
				locked.Store(i, true)
			} else {
				looked.Store(i, err)
			}
		})
	}
	all.Wait()
	n := 0
	looked.Range(func(any, any) bool { n++; return true })
	if n != line.MostTries-1 {
		t.Errorf("%d guesses were answered before the lock, want %d", n, line.MostTries-1)
	}
}

func TestSessionsEnd(t *testing.T) {
	t.Parallel()
	l, _, w, _ := staffed(t)
	ctx := t.Context()
	in := func() line.Session {
		t.Helper()
		s, err := l.SignIn(ctx, "desk", "Savka", password)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	there := func(s line.Session, busy bool) bool {
		t.Helper()
		_, err := l.SessionOf(ctx, s.Secret, busy)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			t.Fatal(err)
		}
		return err == nil
	}
	a := in()
	w.goOn(line.SessionRests - time.Minute)
	if !there(a, false) {
		t.Error("a session ends before its rest is over")
	}
	w.goOn(time.Minute)
	if there(a, true) {
		t.Error("a session that rested goes on; what a page asks for by itself must not keep it")
	}
	b := in()
	for range 24 {
		w.goOn(line.SessionRests - time.Minute)
		if !there(b, true) && w.now().Before(b.Ends) {
			t.Fatalf("a busy session ended at %v, before %v", w.now(), b.Ends)
		}
	}
	w.goOn(b.Ends.Sub(w.now()))
	if there(b, true) {
		t.Error("a busy session goes on for more than its longest time")
	}
	c, d := in(), in()
	if err := l.SignOut(ctx, tester, c, false); err != nil || there(c, true) || !there(d, true) {
		t.Errorf("sign out: %v, %v %v", err, there(c, true), there(d, true))
	}
	e, err := l.ChangePassword(ctx, line.By{Actor: "Savka"}, "Savka", password, another)
	if err != nil || there(d, true) || !there(e, true) {
		t.Errorf("after another password: %v, old %v new %v", err, there(d, true), there(e, true))
	}
	if _, err := l.SignIn(ctx, "desk", "Savka", password); err == nil {
		t.Error("the earlier password opens still")
	}
	_, err = l.ChangePassword(ctx, line.By{Actor: "Savka"}, "Savka", another, another)
	refusedFor(t, err, "password", "the present one")
	var no *line.NotSignedIn
	if _, err = l.ChangePassword(ctx, line.By{Actor: "Savka"}, "Savka", "wrong", password); !errors.As(err, &no) {
		t.Errorf("with a wrong present password: %v", err)
	}
	if err := l.SignOut(ctx, tester, e, true); err != nil || there(e, true) {
		t.Errorf("sign out everywhere: %v %v", err, there(e, true))
	}
}

func TestPeopleChange(t *testing.T) {
	t.Parallel()
	l, db, _, _ := staffed(t)
	ctx := t.Context()
	admit(t, l, "Milo", "maker")
	for _, name := range []string{"Milo", "MILO", " milo "} {
		refusedFor(t, l.AddPerson(ctx, tester, name, "maker"), "name", "registered already")
	}
	refusedFor(t, l.AddPerson(ctx, tester, "Ana", "king"), "role", "no role")
	refusedFor(t, l.AddPerson(ctx, tester, "Ana", "station"), "role", "no role")
	yes, no := true, false
	refusedFor(t, l.ChangePerson(ctx, tester, "Savka", line.PersonChange{Role: "maker"}), "name", "only administrator")
	refusedFor(t, l.ChangePerson(ctx, tester, "Savka", line.PersonChange{Closed: &yes}), "name", "only administrator")
	refusedFor(t, l.ChangePerson(ctx, tester, "Milo", line.PersonChange{Role: "maker"}), "name", "already")
	refusedFor(t, l.ChangePerson(ctx, tester, "None", line.PersonChange{Role: "maker"}), "name", "nobody is registered")
	s, err := l.SignIn(ctx, "desk", "Milo", password)
	if err != nil {
		t.Fatal(err)
	}
	if err := l.ChangePerson(ctx, tester, "Milo", line.PersonChange{Role: "quality", Reason: "learnt it"}); err != nil {
		t.Fatal(err)
	}
	if _, err := l.SessionOf(ctx, s.Secret, true); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a session outlives the change of its role: %v", err)
	}
	link, _, err := l.Invite(ctx, tester, "Milo")
	if err != nil {
		t.Fatal(err)
	}
	if err := l.ChangePerson(ctx, tester, "Milo", line.PersonChange{Closed: &yes}); err != nil {
		t.Fatal(err)
	}
	if _, err := l.SignIn(ctx, "desk", "Milo", password); err == nil {
		t.Error("a closed account opens")
	}
	_, err = l.Accept(ctx, "x", link, "", password)
	refusedFor(t, err, "link", "used already")
	_, _, err = l.Invite(ctx, tester, "Milo")
	refusedFor(t, err, "name", "closed")
	if err := l.ChangePerson(ctx, tester, "Milo", line.PersonChange{Closed: &no}); err != nil {
		t.Fatal(err)
	}
	if s, err := l.SignIn(ctx, "desk", "Milo", password); err != nil || s.Role != "quality" {
		t.Errorf("%+v (%v)", s, err)
	}
	rows, err := db.Site("main").JournalAbout(ctx, "Milo", 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	var deeds []string
	for _, e := range rows {
		deeds = append(deeds, e.Action)
		if strings.Contains(string(e.Detail), "argon2") || strings.Contains(string(e.Detail), password) {
			t.Errorf("a secret stands in the journal: %s", e.Detail)
		}
	}
	want := "add person, invite person, set password, sign in, change role, invite person, close person, open person again, sign in"
	if got := strings.Join(deeds, ", "); got != want {
		t.Errorf("the journal says %s, want %s", got, want)
	}
	v, err := db.Verify(ctx, "main", nil, func(store.VerifyStep) {})
	if err != nil || len(v.Faults) > 0 {
		t.Errorf("%+v (%v)", v.Faults, err)
	}
}

// A password that somebody wrote into the table past the program opens nothing.
func TestPasswordWrittenPastTheProgram(t *testing.T) {
	t.Parallel()
	l, _, _, url := staffed(t)
	admit(t, l, "Mallory", "maker")
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	if _, err := conn.Exec(t.Context(), `UPDATE passwords SET hash = (SELECT hash FROM passwords WHERE person = 'Mallory') WHERE person = 'Savka'`); err != nil {
		t.Fatal(err)
	}
	var no *line.NotSignedIn
	if _, err := l.SignIn(t.Context(), "x", "Savka", password); !errors.As(err, &no) || !no.Altered {
		t.Errorf("%+v (%v)", no, err)
	}
	if _, err := l.SignIn(t.Context(), "x", "Mallory", password); err != nil {
		t.Error(err)
	}
}

// After a restore there are people without passwords: the first link opens an
// administrator's account, and no other.
func TestFirstLinkAfterRestore(t *testing.T) {
	t.Parallel()
	l, _, _, url := staffed(t)
	ctx := t.Context()
	admit(t, l, "Milo", "maker")
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	if _, err := conn.Exec(ctx, `DELETE FROM passwords`); err != nil {
		t.Fatal(err)
	}
	link, err := l.FirstLink(ctx)
	if err != nil || link == "" {
		t.Fatalf("%q (%v)", link, err)
	}
	_, err = l.Accept(ctx, "c", link, "Milo", another)
	refusedFor(t, err, "name", "no administrator")
	if _, err = l.Accept(ctx, "c", link, "savka", another); err != nil {
		t.Fatal(err)
	}
	if s, err := l.SignIn(ctx, "c", "Savka", another); err != nil || s.Role != "administrator" {
		t.Errorf("%+v (%v)", s, err)
	}
}

func TestTokens(t *testing.T) {
	t.Parallel()
	l, db, w, _ := staffed(t)
	ctx := t.Context()
	secret, err := l.AddToken(ctx, tester, "bench 1", "station")
	if err != nil || len(secret) < 50 {
		t.Fatalf("%q (%v)", secret, err)
	}
	_, err = l.AddToken(ctx, tester, "Bench 1", "station")
	refusedFor(t, err, "name", "already")
	_, err = l.AddToken(ctx, tester, "x", "maker")
	refusedFor(t, err, "role", "no role of a token")
	_, err = l.AddToken(ctx, tester, "station 1", "station")
	refusedFor(t, err, "name", "the journal uses")
	before, err := db.Site("main").LastEntry(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		w.goOn(time.Hour)
		b, err := l.BearerOf(ctx, secret, "10.0.0.7")
		if err != nil || b.Actor != "station bench 1" || b.Role != "station" {
			t.Fatalf("%+v (%v)", b, err)
		}
	}
	if after, err := db.Site("main").LastEntry(ctx); err != nil || after != before {
		t.Errorf("using a token wrote into the journal: %d then %d (%v)", before, after, err)
	}
	rows, err := l.Tokens(ctx)
	if err != nil || len(rows) != 1 || !rows[0].UsedAt.Equal(w.now()) || rows[0].UsedFrom != "10.0.0.7" {
		t.Errorf("%+v (%v)", rows, err)
	}
	if err := l.RevokeToken(ctx, tester, "bench 1", "lost"); err != nil {
		t.Fatal(err)
	}
	refusedFor(t, l.RevokeToken(ctx, tester, "bench 1", ""), "name", "no token")
	if _, err := l.BearerOf(ctx, secret, "10.0.0.7"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a revoked token: %v", err)
	}
	_, err = l.AddToken(ctx, tester, "bench 1", "station")
	refusedFor(t, err, "name", "already")
	honest(t, db)
}
