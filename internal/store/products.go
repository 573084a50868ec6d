package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"
)

// A ProductRow is a product as its maker defined it.
type ProductRow struct {
	Product    string
	Definition json.RawMessage
	CreatedAt  time.Time
	// Newest versions of what is known beside the definition; 0 for none.
	Faults int // learnt fault signatures
	Plan   int // action plan
}

const productColumns = `product, definition, created_at,
	coalesce((SELECT max(version) FROM fault_signatures f WHERE f.site = p.site AND f.product = p.product), 0) AS faults,
	coalesce((SELECT max(version) FROM action_plans a WHERE a.site = p.site AND a.product = p.product), 0) AS plan`

// AddProduct stores a new product; ErrExists when its code is taken.
func (s Site) AddProduct(ctx context.Context, p ProductRow) error {
	s.touch("products", p.Product)
	return s.exec(ctx, `INSERT INTO products (site, product, definition, created_at) VALUES ($1, $2, $3, $4)`,
		s.Name, p.Product, p.Definition, now(p.CreatedAt))
}

// Product returns one product.
func (s Site) Product(ctx context.Context, product string) (ProductRow, error) {
	return one[ProductRow](ctx, s.q, `
		SELECT `+productColumns+` FROM products p WHERE site = $1 AND product = $2`, s.Name, product)
}

// Products lists the site's products by code.
func (s Site) Products(ctx context.Context) ([]ProductRow, error) {
	return all[ProductRow](ctx, s.q, `
		SELECT `+productColumns+` FROM products p WHERE site = $1 ORDER BY product`, s.Name)
}

// LockProduct lets one transaction at a time change the product's line: places in
// the order of production and the charts behind them have one order.
func (s Site) LockProduct(ctx context.Context, product string) (nextPlace int64, err error) {
	err = s.q.QueryRow(ctx, `SELECT next_place FROM products WHERE site = $1 AND product = $2 FOR UPDATE`,
		s.Name, product).Scan(&nextPlace)
	return nextPlace, translate(err)
}

// TakePlace returns the next place in the order of production and moves on. The
// product must be locked.
func (s Site) TakePlace(ctx context.Context, product string) (place int64, err error) {
	err = s.q.QueryRow(ctx, `
		UPDATE products SET next_place = next_place + 1 WHERE site = $1 AND product = $2 RETURNING next_place - 1`,
		s.Name, product).Scan(&place)
	return place, translate(err)
}

// An EnvelopeRow is one version of a product's envelope.
type EnvelopeRow struct {
	Product    string
	Version    int
	Definition json.RawMessage
	Reason     string
	Author     string
	CreatedAt  time.Time
}

// AddEnvelope stores the next version of a product's envelope and returns its
// number. The product must be locked.
func (s Site) AddEnvelope(ctx context.Context, e EnvelopeRow) (version int, err error) {
	err = s.q.QueryRow(ctx, `
		INSERT INTO envelopes (site, product, version, definition, reason, author, created_at)
		SELECT $1, $2, 1 + coalesce(max(version), 0), $3, $4, $5, $6 FROM envelopes WHERE site = $1 AND product = $2
		RETURNING version`,
		s.Name, e.Product, e.Definition, e.Reason, e.Author, now(e.CreatedAt)).Scan(&version)
	if err == nil {
		s.touch("envelopes", fmt.Sprintf("%s/%d", e.Product, version))
	}
	return version, translate(err)
}

// Envelope returns one version of a product's envelope, or the newest for version
// 0.
func (s Site) Envelope(ctx context.Context, product string, version int) (EnvelopeRow, error) {
	return one[EnvelopeRow](ctx, s.q, `
		SELECT product, version, definition, reason, author, created_at FROM envelopes
		WHERE site = $1 AND product = $2 AND ($3 = 0 OR version = $3)
		ORDER BY version DESC LIMIT 1`, s.Name, product, version)
}

// Envelopes lists the versions of a product's envelope, oldest first.
func (s Site) Envelopes(ctx context.Context, product string) ([]EnvelopeRow, error) {
	return all[EnvelopeRow](ctx, s.q, `
		SELECT product, version, definition, reason, author, created_at FROM envelopes
		WHERE site = $1 AND product = $2 ORDER BY version`, s.Name, product)
}
