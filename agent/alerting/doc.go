// Package alerting carries out what package alert decides. On every new snapshot of
// the fleet it lets the policy take a step, stores the new state together with the
// messages that follow from it, and has them delivered. A restart continues where the
// store says it ended.
//
// Reading order: config.go (channels, hold times, working days), service.go (what the
// agent sees; another configuration takes over while it runs), engine.go (a step),
// outbox.go and alertmanager.go (delivery).
package alerting
