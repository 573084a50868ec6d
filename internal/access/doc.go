// Package access says who may do what, and how secrets are made, hashed and compared.
// It holds no SQL and speaks no HTTP.
//
// Passwords are hashed with argon2id at the cost that the OWASP Password Storage Cheat
// Sheet recommends. Tokens, sessions and one-time links are 32 random bytes; what is
// stored of them is their SHA-256, which cannot be turned back since nobody can try
// 2^256 values.
package access
