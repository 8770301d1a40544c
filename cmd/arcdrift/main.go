// Command arcdrift keeps a fleet of fusion splicing machines fit to splice. See
// package agent for what it does: here the environment goes in and the exit
// code comes out.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	"time"

	"golang.org/x/term"

	"arcdrift/agent"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // the second signal ends what does not look for the first
	code := agent.Run(ctx, agent.Env{
		Program: os.Args[0], Args: os.Args[1:], Environ: os.Environ(),
		Stdin: os.Stdin, Stdout: os.Stdout, Stderr: os.Stderr,
		Terminal: term.IsTerminal(int(os.Stdin.Fd())) && term.IsTerminal(int(os.Stderr.Fd())),
		Reloads:  reloads,
		Now:      time.Now,
		Zone:     time.Local,
	})
	stop()
	os.Exit(code)
}

// reloads catches what a closed terminal and a service manager's reload send. Who
// catches these does not die of a closed pipe either: to write to it is an error.
func reloads() <-chan os.Signal {
	signal.Ignore(syscall.SIGPIPE)
	c := make(chan os.Signal, 1)
	signal.Notify(c, syscall.SIGHUP)
	return c
}
