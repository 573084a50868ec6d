package access

import (
	"crypto/sha256"
	"encoding/base64"
)

// tokenMark stands before a token, so that one that turns up in a file is known for
// what it is.
const tokenMark = "alike-token-"

// NewToken returns a token for a station or a program; NewSession what a browser holds;
// NewLink what the address of a one-time link holds. Each has 256 random bits.
func NewToken() string   { return tokenMark + secret() }
func NewSession() string { return secret() }
func NewLink() string    { return secret() }

func secret() string { return base64.RawURLEncoding.EncodeToString(random(32)) }

// Mark returns what is stored of a secret: its SHA-256.
func Mark(secret string) []byte {
	h := sha256.Sum256([]byte(secret))
	return h[:]
}

// LeastToken is the length from which a token that somebody made up themselves is
// taken.
const LeastToken = 16
