package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"slices"

	"candidacy/internal/command"
)

// askServer sends one request to a running server, with a token, and returns the
// status and the body of its answer, or what it refused as a *serverRefusal.
func askServer(ctx context.Context, method, url, token string, header http.Header, body []byte) (int, []byte, error) {
	var reader io.Reader
	if body != nil {
		reader = bytes.NewReader(body)
	}
	request, err := http.NewRequestWithContext(ctx, method, url, reader)
	if err != nil {
		return 0, nil, fmt.Errorf("prepare the request: %w", err)
	}
	request.Header = header
	request.Header.Set("Authorization", "Bearer "+token)
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return 0, nil, fmt.Errorf("reach the server: %w", err)
	}
	defer response.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(response.Body, command.MaxBytes))
	if err != nil {
		return 0, nil, fmt.Errorf("read the answer: %w", err)
	}
	if response.StatusCode >= http.StatusMultipleChoices {
		return response.StatusCode, nil, refusalOf(response, answer)
	}
	return response.StatusCode, answer, nil
}

// serverRefusal is a problem that the server answered.
type serverRefusal struct {
	status int
	detail string
	// invalid is what was wrong with the body, nil where it was not that.
	invalid *command.Invalid
}

// Error says what the server said.
func (r *serverRefusal) Error() string {
	if r.invalid != nil {
		return r.invalid.Error()
	}
	return r.detail
}

// names reports whether the server named the field.
func (r *serverRefusal) names(field string) bool {
	return r.invalid != nil && slices.ContainsFunc(r.invalid.Faults, func(f command.Fault) bool { return f.Field == field })
}

// refusalOf makes an error of a problem document.
func refusalOf(response *http.Response, body []byte) error {
	var problem struct {
		Detail string
		Errors []struct {
			Field, Detail string
			Accepted      []string
		}
	}
	if json.Unmarshal(body, &problem) != nil || problem.Detail == "" {
		return fmt.Errorf("the server answered %s", response.Status)
	}
	refused := &serverRefusal{status: response.StatusCode, detail: problem.Detail}
	if len(problem.Errors) > 0 {
		refused.invalid = &command.Invalid{}
		for _, e := range problem.Errors {
			refused.invalid.Faults = append(refused.invalid.Faults, command.Fault{Field: e.Field, Problem: e.Detail, Accepted: e.Accepted})
		}
	}
	return refused
}
