package api

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"

	"github.com/getkin/kin-openapi/openapi3"
)

//go:embed openapi.yaml
var openapiYAML []byte

// document returns the description of the interface as JSON, checked against the
// OpenAPI rules.
func document() ([]byte, error) {
	doc, err := openapi3.NewLoader().LoadFromData(openapiYAML)
	if err != nil {
		return nil, fmt.Errorf("openapi.yaml: %w", err)
	}
	if err := doc.Validate(context.Background()); err != nil {
		return nil, fmt.Errorf("openapi.yaml: %w", err)
	}
	return json.Marshal(doc)
}
