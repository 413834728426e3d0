// Command compose checks a Compose file against the Compose specification, with
// the specification's own library, and prints the command of each service as
// JSON. It is a module of its own, so that the library stays out of the
// program's dependencies.
package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"

	"github.com/compose-spec/compose-go/v2/cli"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: compose FILE")
		os.Exit(2)
	}
	if err := check(os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, "compose:", err)
		os.Exit(1)
	}
}

func check(file string) error {
	options, err := cli.NewProjectOptions([]string{file}, cli.WithOsEnv)
	if err != nil {
		return err
	}
	project, err := options.LoadProject(context.Background())
	if err != nil {
		return err
	}
	commands := map[string][]string{}
	for name, service := range project.Services {
		commands[name] = service.Command
	}
	return json.NewEncoder(os.Stdout).Encode(commands)
}
