package server

import (
	"bytes"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

// While the setups cannot be read, machines belong to nobody; that is logged once, and the
// store is not asked by every request. Once they can be read, they are. Before, an error at
// the moment when an announced change of customer came into force left every limited account
// without machines until the next setup.
func TestSetupsThatCannotBeReadAreReadAgain(t *testing.T) {
	now, asked := moment, 0
	var broken error
	setup := func(customer string, at time.Time) drift.Entry {
		return drift.Entry{Record: drift.Record{Type: drift.TypeSetup, Machine: "K-07", Time: at, Setup: &drift.Setup{Scope: drift.ScopeMachine, Customer: customer}}, Received: moment}
	}
	setups := func() ([]drift.Entry, error) {
		asked++
		return []drift.Entry{setup("Fjord", moment.Add(-time.Hour)), setup("Skerry", moment.Add(time.Minute))}, broken
	}
	var log bytes.Buffer
	c := newCustomers(setups, func() time.Time { return now }, slog.New(slog.NewTextHandler(&log, nil)))
	of := func() string {
		a, _ := c.Of("K-07")
		return a.Customer
	}
	assert.Equal(t, "Fjord", of())
	now, broken, asked = moment.Add(time.Minute), errors.New("the database is away"), 0
	for range 100 {
		assert.Empty(t, of())
	}
	assert.Equal(t, 1, asked)
	now = now.Add(readAgain)
	assert.Empty(t, of())
	assert.Equal(t, 2, asked)
	assert.Equal(t, 1, strings.Count(log.String(), "cannot be read"), log.String())
	broken, now = nil, now.Add(readAgain)
	assert.Equal(t, "Skerry", of())
}
