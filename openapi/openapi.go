// Package openapi holds the description of the HTTP interface and the page that shows it.
package openapi

import _ "embed"

//go:generate go run ./generate

// JSON is the description, OpenAPI 3.1. It is generated from the comments in package api; do not edit the file.
//
//go:embed openapi.json
var JSON []byte
