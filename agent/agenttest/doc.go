// Package agenttest runs the program and its agent in tests: command lines, agents in
// this process and in processes of their own, and the real programs of other projects
// that they work with.
package agenttest
