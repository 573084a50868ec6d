package access

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/trustelem/zxcvbn"
	"golang.org/x/crypto/argon2"
)

// Cost of a password hash: the OWASP Password Storage Cheat Sheet's second choice for
// argon2id, about 30 ms on a small machine.
const (
	memoryKiB = 19 * 1024
	passes    = 2
	lanes     = 1
	saltBytes = 16
	hashBytes = 32
)

// Length of a password in characters, after OWASP ASVS 4, 2.1.1 and 2.1.2.
const (
	LeastPassword = 12
	MostPassword  = 128
)

// fewGuesses is how many guesses a password must withstand, by the estimate of zxcvbn:
// "safely unguessable" to somebody who is slowed down, says its paper (Wheeler, USENIX
// Security 2016).
const fewGuesses = 1e8

// A Weakness says why a password is not taken, and what to do.
type Weakness struct{ Reason, Remedy string }

func (w *Weakness) Error() string { return w.Reason + "; " + w.Remedy }

// CheckPassword returns a *Weakness unless a password will do. own are words that belong
// to its person and are tried first by whoever knows them.
func CheckPassword(password string, own ...string) error {
	switch n := utf8.RuneCountInString(password); {
	case !utf8.ValidString(password) || strings.ContainsRune(password, 0):
		return &Weakness{"the password holds bytes that are no text", "type it anew"}
	case n < LeastPassword:
		return &Weakness{fmt.Sprintf("the password has fewer than %d characters", LeastPassword), "a few words that do not belong together are long and easy to keep in mind"}
	case n > MostPassword:
		return &Weakness{fmt.Sprintf("the password has more than %d characters", MostPassword), "use a shorter one"}
	case zxcvbn.PasswordStrength(strings.ToLower(password), words(own)).Guesses < fewGuesses:
		return &Weakness{"the password is among the first that are guessed", "leave out names, dates, rows of keys and well-known passwords; a few words that do not belong together are better"}
	}
	return nil
}

// words splits what belongs to a person into what a guesser would combine.
func words(own []string) (out []string) {
	for _, text := range append(own, "alike") {
		out = append(out, strings.ToLower(text))
		out = append(out, strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })...)
	}
	return out
}

// atOnce bounds how many hashes are computed at a time: each takes 19 MiB and a core.
var atOnce = make(chan struct{}, max(2, runtime.GOMAXPROCS(0)))

func derive(ctx context.Context, password string, salt []byte, memory, passes uint32, lanes uint8, size uint32) ([]byte, error) {
	select {
	case atOnce <- struct{}{}:
		defer func() { <-atOnce }()
		return argon2.IDKey([]byte(password), salt, passes, memory, lanes, size), nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// HashPassword returns what is stored of a password, in the PHC string format.
func HashPassword(ctx context.Context, password string) (string, error) {
	salt := random(saltBytes)
	sum, err := derive(ctx, password, salt, memoryKiB, passes, lanes, hashBytes)
	if err != nil {
		return "", err
	}
	e := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memoryKiB, passes, lanes, e.EncodeToString(salt), e.EncodeToString(sum)), nil
}

// errHash means that a stored hash cannot be read.
var errHash = errors.New("the stored password is none of ours")

// SamePassword reports whether a password is the one that was hashed. An empty hash
// stands for nobody's: it takes as long as any other, and is never the same.
func SamePassword(ctx context.Context, hash, password string) (bool, error) {
	if hash == "" {
		_, err := derive(ctx, password, make([]byte, saltBytes), memoryKiB, passes, lanes, hashBytes)
		return false, err
	}
	parts := strings.Split(hash, "$")
	var version int
	var memory, passes uint32
	var lanes uint8
	if len(parts) != 6 || parts[1] != "argon2id" {
		return false, errHash
	}
	if n, err := fmt.Sscanf(parts[2]+" "+parts[3], "v=%d m=%d,t=%d,p=%d", &version, &memory, &passes, &lanes); n != 4 || err != nil || version != argon2.Version {
		return false, errHash
	}
	salt, err := base64.RawStdEncoding.DecodeString(parts[4])
	want, e := base64.RawStdEncoding.DecodeString(parts[5])
	if err != nil || e != nil || len(want) < 16 || memory > 1<<20 || memory < 8 || passes < 1 || passes > 100 || lanes < 1 {
		return false, errHash
	}
	got, err := derive(ctx, password, salt, memory, passes, lanes, uint32(len(want)))
	return err == nil && subtle.ConstantTimeCompare(got, want) == 1, err
}

func random(n int) []byte {
	b := make([]byte, n)
	_, _ = rand.Read(b) // never fails: the program ends when there is no random source
	return b
}
