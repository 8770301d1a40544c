// Package cli is the command line: one file a command, each with its flags and its
// output. A command works on a store by its path (package reach), whether the file
// lies there unused or a running agent holds it; serve runs an agent (package server).
//
// Answers go to standard output, everything else to standard error. Run returns the
// exit code: 0 done, 1 failed, 2 wrong command line or setting, 3 records refused.
//
// Reading order: env.go (what is given from outside), root.go (the command tree),
// settings.go (flag, environment, file, default), then a command.
package cli
