// Command candidacy runs the workflow engine for evaluating living kidney donor
// candidates, and the tools around its records.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"

	"github.com/spf13/cobra"
)

func main() {
	// What this program writes is for its own account only.
	syscall.Umask(0o077)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := program(os.Stdout, os.Stderr).ExecuteContext(ctx)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "candidacy:", err)
		os.Exit(1)
	}
}

// program builds the whole command line. Nothing in it is global, so that
// tests can run it in the process.
func program(out, errs io.Writer) *cobra.Command {
	root := &cobra.Command{
		Use:           "candidacy",
		Short:         "Carry each living kidney donor candidate from referral to the end of follow-up",
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.SetOut(out)
	root.SetErr(errs)
	root.AddCommand(serveCommand(), workerCommand(), demoCommand(), tokenCommand(), accountCommand(), intakeCommand(),
		auditCommand(), rebuildCommand(), backupCommand(), calcCommand(), protocolCommand(), clientCommand(), noticesCommand(), incomingCommand(),
		exportCommand(), subscriptionsCommand())
	return root
}

// defaultData is where data lives when no folder is named.
func defaultData(name string) string {
	base, err := os.UserConfigDir()
	if err != nil {
		return name
	}
	return filepath.Join(base, "candidacy", name)
}
