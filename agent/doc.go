// Package agent puts the house together: the commands, the configuration, and
// what runs under one roof while the agent serves. It is the only package that
// knows all rooms.
//
// Reading order: env.go (what is given from outside and what comes out),
// command.go (the command tree), settings.go (flag, environment, file,
// default), place.go (where the records are: a file of ours or a running
// agent), serve.go and runner.go (the agent itself), then one file per command.
package agent
