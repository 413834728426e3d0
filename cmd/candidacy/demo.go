package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"candidacy/internal/demo"
	"candidacy/internal/system"
	"candidacy/internal/web"
)

func demoCommand() *cobra.Command {
	var s site
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Serve an invented programme with two dozen candidates at every stage",
		Long: "Serve an invented programme with two dozen candidates at every stage.\n\n" +
			"Everybody in it is synthetic. Never put real people into its data folder: the\n" +
			"passwords are printed.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return serve(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr(), s, loadDemo)
		},
	}
	s.bind(cmd, defaultData("demo"))
	return cmd
}

// loadDemo plays the programme on the first start, and says who may sign in.
func loadDemo(ctx context.Context, out io.Writer, sys *system.System) ([]web.SignIn, error) {
	fmt.Fprintln(out, "Synthetic demonstration data: nobody in it is real.")
	report := func(done, all int) {
		fmt.Fprintf(out, "Playing the invented programme: %d of %d candidates\n", done, all)
	}
	if err := demo.Load(ctx, sys.Store, sys.Dispatcher, time.Now(), report); err != nil {
		return nil, err
	}
	if err := demo.Release(ctx, sys.Store, sys.Dispatcher); err != nil {
		return nil, err
	}
	if err := demo.Deliver(ctx, sys.Store, sys.Incoming, sys.Current); err != nil {
		return nil, err
	}
	path, born, err := demo.HalfWay()
	if err != nil {
		return nil, err
	}
	fmt.Fprintf(out, "A candidate born on %s is half-way through a questionnaire, and goes on at %s\n", born, path)
	if path, born, err = demo.Visitor(); err != nil {
		return nil, err
	}
	fmt.Fprintf(out, "A candidate born on %s sees the planned visits at %s\n", born, path)
	var signIns []web.SignIn
	for _, a := range demo.Accounts {
		signIns = append(signIns, web.SignIn{Username: a.Username, Role: a.Role, Password: a.Password})
	}
	return signIns, nil
}
