package api

import (
	"errors"
	"net/url"
	"slices"

	"candidacy/internal/command"
	"candidacy/internal/journey"
)

const (
	defaultLimit = 50
	maxLimit     = 100
)

// page is what a list is asked for.
type page struct {
	stage journey.Stage
	after string
	limit int
}

// readPage reads the query of a list of candidates. Every fault is reported:
// a filter that is misspelt must not silently show everybody.
func readPage(query string) (page, error) {
	var faults command.Faults
	values := single(&faults, query, "stage", "after", "limit")
	p := page{stage: journey.Stage(values["stage"]), after: values["after"], limit: defaultLimit}
	if p.stage != "" && !slices.Contains(journey.Stages, p.stage) {
		faults.Add("stage", "no such stage", names(journey.Stages)...)
	}
	readCursor(&faults, &p, values["limit"])
	return p, unreadable(&faults)
}

// readRole reads the query of the list of accounts. The empty role lists all.
func readRole(query string) (journey.Role, error) {
	var faults command.Faults
	role := journey.Role(single(&faults, query, "role")["role"])
	if role != "" && !slices.Contains(journey.Roles, role) {
		faults.Add("role", "no such role", names(journey.Roles)...)
	}
	return role, unreadable(&faults)
}

// single returns the parameters that are known, each of which may stand once.
func single(f *command.Faults, query string, known ...string) map[string]string {
	values := map[string]string{}
	given, err := url.ParseQuery(query)
	if err != nil {
		f.Add("query", "not a query string")
		return values
	}
	for _, name := range known {
		if len(given[name]) > 1 {
			f.Add(name, "given more than once")
		}
		values[name] = given.Get(name)
		delete(given, name)
	}
	if len(given) > 0 {
		f.Add("query", "a parameter that is not known", known...)
	}
	return values
}

// unreadable makes a faulty query a malformed request.
func unreadable(f *command.Faults) error {
	err := f.Err()
	var faulty *command.Invalid
	if errors.As(err, &faulty) {
		faulty.Malformed = true
	}
	return err
}

func names[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, each := range list {
		out[i] = string(each)
	}
	return out
}
