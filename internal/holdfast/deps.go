// Package holdfast keeps the module graph steady while the tree is being laid out. Removed before the first release.
package holdfast

import (
	_ "github.com/chromedp/chromedp"
	_ "github.com/getkin/kin-openapi/openapi3"
	_ "github.com/goccy/go-yaml"
	_ "github.com/google/uuid"
	_ "github.com/jackc/pgx/v5/stdlib"
	_ "github.com/labstack/echo/v4"
	_ "github.com/pressly/goose/v3"
	_ "github.com/samply/golang-fhir-models/fhir-models/fhir"
	_ "github.com/spf13/cobra"
	_ "go.temporal.io/api/enums/v1"
	_ "go.temporal.io/sdk/client"
	_ "go.temporal.io/sdk/testsuite"
	_ "go.temporal.io/server/temporal"
	_ "golang.org/x/crypto/argon2"
	_ "golang.org/x/sync/errgroup"
	_ "gonum.org/v1/gonum/stat"
	_ "modernc.org/sqlite"
	_ "pgregory.net/rapid"
)
