package main

import (
	"io"
	"strings"
	"testing"

	"github.com/compose-spec/compose-go/v2/cli"
)

// TestComposeFile checks docker-compose.yml against the Compose specification
// with the specification's own library, and the commands in it against ours.
func TestComposeFile(t *testing.T) {
	options, err := cli.NewProjectOptions([]string{"../../docker-compose.yml"}, cli.WithEnv([]string{
		"RECORDS_PASSWORD=x", "ENGINE_PASSWORD=x", "CANDIDACY_PAYLOAD_KEYS=x",
	}))
	if err != nil {
		t.Fatal(err)
	}
	project, err := options.LoadProject(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"web", "worker", "records", "temporal"} {
		if _, err := project.GetService(name); err != nil {
			t.Error(err)
		}
	}
	for _, name := range []string{"web", "worker"} {
		service, err := project.GetService(name)
		if err != nil {
			continue
		}
		found, args, err := command(io.Discard, io.Discard).Find(service.Command)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if err := found.ParseFlags(args); err != nil {
			t.Errorf("%s runs %s: %v", name, strings.Join(service.Command, " "), err)
		}
	}
}
