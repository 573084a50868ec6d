package line

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"

	"alike/internal/store"
	"alike/spc/envelope"
)

// AddProduct stores a product and, when it carries them, the first versions of its
// envelope and of its rig policy. The same product again changes nothing. Another definition under a code
// that is taken is refused: units were judged by the one there is.
func (l *Line) AddProduct(ctx context.Context, by By, p Product) (added bool, err error) {
	setup, err := p.SetUp()
	if err != nil {
		return false, err
	}
	env := p.Envelope
	if env != nil {
		if _, err := env.On(setup.Band); err != nil {
			return false, err
		}
	}
	check := p.RigCheck
	p.Envelope, p.RigCheck = nil, nil // they live on as version 1, beside the product
	definition, err := json.Marshal(p)
	if err != nil {
		return false, err
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		row, err := s.Product(ctx, p.Code)
		if err == nil {
			return sameDefinition(row, definition)
		} else if !errors.Is(err, store.ErrNotFound) {
			return err
		}
		added = true
		if err := s.AddProduct(ctx, store.ProductRow{Product: p.Code, Definition: definition, CreatedAt: l.now()}); err != nil {
			return err
		}
		if err := l.journal(ctx, s, by, "add product", p.Code, "", map[string]any{"definition": json.RawMessage(definition)}); err != nil {
			return err
		}
		const first = "first version, with the product"
		if check != nil {
			if _, err := l.addPolicy(ctx, s, by, setup, *check, first); err != nil {
				return err
			}
		}
		if env == nil {
			return nil
		}
		_, err = l.addEnvelope(ctx, s, by, p.Code, *env, first)
		return err
	})
	return added, err
}

// sameDefinition compares a stored definition with one, read into the same form
// since the database reorders the fields.
func sameDefinition(row store.ProductRow, definition []byte) error {
	stored, err := ParseProduct(row.Definition)
	if err != nil {
		return err
	}
	again, err := json.Marshal(stored)
	if err != nil {
		return err
	}
	if !bytes.Equal(again, definition) {
		return refuse(Conflict, "code", "give the changed design another code; a changed envelope is added with: alike envelope add",
			"product %s is there already with another definition", row.Product)
	}
	return nil
}

// AddEnvelope puts a new version of a product's limits in force. Verdicts given
// before stand.
func (l *Line) AddEnvelope(ctx context.Context, by By, product string, e envelope.Envelope, reason string) (version int, err error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return 0, err
	}
	if _, err := e.On(setup.Band); err != nil {
		return 0, refuse(Invalid, "envelope", "correct the envelope file", "%v", err)
	}
	if reason == "" {
		return 0, refuse(Invalid, "reason", "say why the limits change", "a new version of the limits needs a reason")
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := s.LockProduct(ctx, setup.Code); err != nil {
			return err
		}
		version, err = l.addEnvelope(ctx, s, by, setup.Code, e, reason)
		return err
	})
	return version, err
}

func (l *Line) addEnvelope(ctx context.Context, s store.Site, by By, product string, e envelope.Envelope, reason string) (int, error) {
	definition, err := json.Marshal(e)
	if err != nil {
		return 0, err
	}
	version, err := s.AddEnvelope(ctx, store.EnvelopeRow{
		Product: product, Definition: definition, Reason: reason, Author: by.Actor, CreatedAt: l.now(),
	})
	if err != nil {
		return 0, err
	}
	return version, l.journal(ctx, s, by, "add envelope", product, reason, map[string]any{
		"version": version, "definition": json.RawMessage(definition),
	})
}
