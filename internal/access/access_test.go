package access_test

import (
	"encoding/hex"
	"os"
	"os/exec"
	"strings"
	"testing"

	"alike/internal/access"
)

// What the roles may do, as the project's description has it: a licensor writes nothing,
// a station measures and no more, only an administrator admits.
func TestRoles(t *testing.T) {
	t.Parallel()
	want := map[access.Role]string{
		access.Administrator: "open own look unit measure keep judge admit",
		access.Quality:       "open own look unit measure keep judge",
		access.Maker:         "open own look unit measure keep",
		access.Licensor:      "open own look unit",
		access.Station:       "open unit measure",
		access.Reader:        "open look unit",
		"":                   "open",
	}
	if len(want) != len(access.PeopleRoles)+len(access.TokenRoles)+1 {
		t.Error("a role is missing here")
	}
	for role, deeds := range want {
		var got []string
		for _, d := range access.Deeds() {
			if role.May(d) {
				got = append(got, string(d))
			}
		}
		if strings.Join(got, " ") != deeds {
			t.Errorf("%q may %v, want %s", role, got, deeds)
		}
	}
}

// The hash of a password is the one that the reference implementation's command line
// gives. testdata/argon2.txt says by which command it was made.
func TestHashIsArgon2id(t *testing.T) {
	t.Parallel()
	for hash, password := range vectors(t) {
		if same, err := access.SamePassword(t.Context(), hash, password); err != nil || !same {
			t.Errorf("%s is not the hash of %q: %v", hash, password, err)
		}
		if same, _ := access.SamePassword(t.Context(), hash, password+"x"); same {
			t.Errorf("%s is the hash of another password", hash)
		}
	}
	ours, err := access.HashPassword(t.Context(), "a password of ours")
	if err != nil || !strings.HasPrefix(ours, "$argon2id$v=19$m=19456,t=2,p=1$") {
		t.Errorf("%s (%v)", ours, err)
	}
	again, _ := access.HashPassword(t.Context(), "a password of ours")
	if again == ours {
		t.Error("two hashes have the same salt")
	}
	for _, bad := range []string{"x", "$argon2id$", "$argon2i$v=19$m=19456,t=2,p=1$c2FsdHNhbHQ$aGFzaGhhc2hoYXNoaGFzaA", "$argon2id$v=19$m=99999999,t=2,p=1$c2FsdHNhbHQ$aGFzaGhhc2hoYXNoaGFzaA",
		"$argon2id$v=19$m=19456,t=2,p=0$c2FsdHNhbHQ$aGFzaGhhc2hoYXNoaGFzaA", "$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHQ$"} {
		if same, err := access.SamePassword(t.Context(), bad, ""); same || err == nil {
			t.Errorf("%q is taken for a hash", bad)
		}
	}
	if same, err := access.SamePassword(t.Context(), "", ""); same || err != nil {
		t.Errorf("nobody's password: %v %v", same, err)
	}
}

// vectors reads hash and password of each line.
func vectors(t *testing.T) map[string]string {
	t.Helper()
	text, err := os.ReadFile("testdata/argon2.txt")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for line := range strings.Lines(string(text)) {
		if hash, password, ok := strings.Cut(strings.TrimSuffix(line, "\n"), "\t"); ok {
			out[hash] = password
		}
	}
	if len(out) != 3 {
		t.Fatalf("%d vectors, want 3", len(out))
	}
	return out
}

func TestCheckPassword(t *testing.T) {
	t.Parallel()
	for _, good := range []string{"seven teal otters knit", "ünïcödé is fïne tøø", "        9 Krk-wind  ", "日本語の長い合言葉を使う人もいる", strings.Repeat("x", 54) + " and then 54 letters more, as many as there may be, ok? " + "end of it: 20 ch"} {
		if err := access.CheckPassword(good, "Savka", "main"); err != nil {
			t.Errorf("%q: %v", good, err)
		}
	}
	for bad, part := range map[string]string{
		"": "fewer", "elevenchars": "fewer", strings.Repeat("ab c", 33): "more", "password1234": "guessed", "qwertyuiopas": "guessed", "aaaaaaaaaaaa": "guessed",
		"savkasavka12": "guessed", "main workshop": "guessed", "letmeinletmein": "guessed", "abcabcabcabcabc": "guessed", "nul\x00 in the middle": "no text", "\xff\xfe not a text": "no text",
	} {
		if err := access.CheckPassword(bad, "Savka", "main workshop"); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("%q: %v, want %q", bad, err, part)
		}
	}
}

// BenchmarkCheckPassword times the worst that anybody may send: 128 characters; longer
// ones are refused by their length. BenchmarkHash is beside it.
func BenchmarkCheckPassword(b *testing.B) {
	for b.Loop() {
		_ = access.CheckPassword(strings.Repeat("a", 128))
	}
}

func BenchmarkHash(b *testing.B) {
	for b.Loop() {
		if _, err := access.HashPassword(b.Context(), "seven teal otters knit"); err != nil {
			b.Fatal(err)
		}
	}
}

func TestSecrets(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for range 100 {
		for _, s := range []string{access.NewToken(), access.NewSession(), access.NewLink()} {
			if seen[s] || len(strings.TrimPrefix(s, "alike-token-")) != 43 { // 32 bytes in base64
				t.Errorf("%q", s)
			}
			seen[s] = true
		}
	}
	// The mark is plain SHA-256: coreutils says the same.
	out, err := exec.CommandContext(t.Context(), "sh", "-c", "printf %s 'a secret' | sha256sum").Output()
	if err != nil {
		t.Fatal(err)
	}
	if got := hex.EncodeToString(access.Mark("a secret")); !strings.HasPrefix(string(out), got) {
		t.Errorf("%s, sha256sum says %s", got, out)
	}
}
