package api

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
	"github.com/labstack/echo/v4"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

func loadDocument(ctx context.Context) (*openapi3.T, error) {
	doc, err := openapi3.NewLoader().LoadFromData(openapi)
	if err != nil {
		return nil, err
	}
	return doc, doc.Validate(ctx)
}

func readContract(ctx context.Context) (routers.Router, error) {
	// FHIR is JSON too; the library has to be told.
	openapi3filter.RegisterBodyDecoder(fhirJSON, openapi3filter.JSONBodyDecoder)
	doc, err := loadDocument(ctx)
	if err != nil {
		return nil, fmt.Errorf("openapi.yaml: %w", err)
	}
	return gorillamux.NewRouter(doc)
}

// conforms holds an answer against the document, and the request too when it
// was accepted: what the document forbids must not be taken.
func (f *fixture) conforms(t testing.TB, r *http.Request, answer *httptest.ResponseRecorder) {
	t.Helper()
	for name, want := range map[string]string{"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff"} {
		if got := answer.Header().Get(name); got != want {
			t.Errorf("%s: %s is %q", r.Method, name, got)
		}
	}
	route, params, err := f.contract.FindRoute(r)
	if err != nil {
		return // a route or a method that the API does not have
	}
	in := &openapi3filter.RequestValidationInput{
		Request: r, PathParams: params, Route: route,
		Options: &openapi3filter.Options{
			IncludeResponseStatus: true, AuthenticationFunc: openapi3filter.NoopAuthenticationFunc, MultiError: true,
		},
	}
	if answer.Code < http.StatusMultipleChoices && answer.Code != http.StatusAccepted {
		if err := openapi3filter.ValidateRequest(t.Context(), in); err != nil {
			t.Errorf("%s %s was accepted, but the document forbids it: %v", r.Method, route.Path, err)
		}
	}
	err = openapi3filter.ValidateResponse(t.Context(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: in, Status: answer.Code, Header: answer.Header(),
		Body: io.NopCloser(bytes.NewReader(answer.Body.Bytes())), Options: in.Options,
	})
	if err != nil {
		t.Errorf("%s %s answered %d in a form that is not documented: %v", r.Method, route.Path, answer.Code, err)
	}
}

func TestDocumentIsServedToEverybody(t *testing.T) {
	answer := fix.do(t, call{method: "GET", path: "/api/openapi.yaml"})
	if answer.Code != http.StatusOK || !bytes.Equal(answer.Body.Bytes(), openapi) {
		t.Errorf("got %d and %d bytes", answer.Code, answer.Body.Len())
	}
}

func TestDocumentNamesEveryRoute(t *testing.T) {
	doc, err := loadDocument(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	documented := map[string]bool{}
	for path, item := range doc.Paths.Map() {
		for method, operation := range item.Operations() {
			documented[method+" "+path] = true
			if operation.OperationID == "" || operation.Summary == "" {
				t.Errorf("%s %s has no id or no summary", method, path)
			}
			// Only what describes the programme's interfaces is open.
			described := path == "/api/openapi.yaml" || path == "/api/protocol.schema.json"
			if open := operation.Security != nil && len(*operation.Security) == 0; open != described {
				t.Errorf("%s %s is open: %t", method, path, open)
			}
		}
	}
	served := map[string]bool{}
	for _, r := range fix.server.Routes() {
		if r.Method == echo.RouteNotFound || r.Method == http.MethodHead {
			continue
		}
		path := strings.ReplaceAll(r.Path, ":id", "{id}")
		if !strings.HasSuffix(path, ":kind") {
			served[r.Method+" "+path] = true
			continue
		}
		for _, kind := range journey.Kinds() {
			served[r.Method+" "+strings.ReplaceAll(path, ":kind", string(kind))] = true
		}
	}
	for route := range served {
		if !documented[route] {
			t.Errorf("%s is not in the document", route)
		}
	}
	for route := range documented {
		if !served[route] {
			t.Errorf("%s is in the document and not served", route)
		}
	}
}

// TestDocumentDescribesEveryCommand compares the members of each documented
// body with those that the decoder accepts, and decodes each example.
func TestDocumentDescribesEveryCommand(t *testing.T) {
	doc, err := loadDocument(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range append(journey.Kinds(), journey.Refer) {
		t.Run(string(kind), func(t *testing.T) {
			path := "/api/candidates/{id}/commands/" + string(kind)
			if kind == journey.Refer {
				path = "/api/candidates"
			}
			media := doc.Paths.Value(path).Post.RequestBody.Value.Content["application/json"]
			var accepted []string
			for member := range media.Schema.Value.Properties {
				accepted = append(accepted, member)
				body, _ := command.New(kind)
				if err := command.Strict([]byte(`{"`+member+`":null}`), body); err != nil {
					t.Errorf("the member %s is documented, but: %v", member, err)
				}
			}
			body, _ := command.New(kind)
			for _, member := range members(body) {
				if !slices.Contains(accepted, member) {
					t.Errorf("the member %s is not documented", member)
				}
			}
			if media.Example == nil {
				t.Fatal("there is no example")
			}
			if _, err := command.Decode(kind, []byte(encoded(t, media.Example))); err != nil {
				t.Errorf("the example is refused: %v", err)
			}
		})
	}
}

// TestExamplesFitTheirSchemas checks the examples of the answers.
func TestExamplesFitTheirSchemas(t *testing.T) {
	doc, err := loadDocument(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	check := func(where string, content openapi3.Content) {
		for _, media := range content {
			examples := map[string]any{"": media.Example}
			for name, example := range media.Examples {
				examples[name] = example.Value.Value
			}
			for name, example := range examples {
				if example == nil {
					continue
				}
				if err := media.Schema.Value.VisitJSON(example, openapi3.EnableJSONSchema2020()); err != nil {
					t.Errorf("%s %s: %v", where, name, err)
				}
			}
		}
	}
	for path, item := range doc.Paths.Map() {
		for method, operation := range item.Operations() {
			if operation.RequestBody != nil {
				check(method+" "+path, operation.RequestBody.Value.Content)
			}
			for status, response := range operation.Responses.Map() {
				check(method+" "+path+" "+status, response.Value.Content)
			}
		}
	}
}

// members lists the members of a body by its JSON names.
func members(body command.Body) []string { return membersOf(reflect.TypeOf(body).Elem()) }

func membersOf(body reflect.Type) []string {
	var list []string
	for field := range body.Fields() {
		if field.Anonymous {
			list = append(list, membersOf(field.Type)...)
			continue
		}
		name, _, _ := strings.Cut(field.Tag.Get("json"), ",")
		list = append(list, name)
	}
	return list
}
