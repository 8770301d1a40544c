// Package server is the running agent: it assembles the store, the intake, the fleet,
// the alerts, the pages and the MQTT brokers from a valid [Config], runs them until it
// is told to stop, and stops them in order.
//
// Reading order: config.go (the settings, checked together), server.go (assembly and
// end), runner.go (what runs), reload.go (what changes at SIGHUP), then one file a
// part.
package server
