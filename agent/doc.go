// Package agent is the program: it hands its environment to the command line, and its
// tests look at the house as a whole and at the program as other processes see it.
//
// Reading order, from the top down: agent/cli (the commands, their flags and
// settings), agent/reach (the records of a store, in its file or through the agent
// that holds it), agent/server (what runs while the agent serves), agent/alerting
// (who is told what), then agent/web and agent/mqtt (where records arrive and answers
// leave), agent/wire (records as bytes), agent/intake (valid, new, durable, then
// announced), agent/store and agent/fleet (each machine's model and advice).
package agent
