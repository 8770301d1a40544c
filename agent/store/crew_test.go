package store_test

import (
	"fmt"
	"time"

	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// Two people whom the records of a crew name.
const (
	asa = `Åsa "Ö" Lindqvist`
	jo  = "Jo Lund"
)

// crew are records that name people, with ids as idOf gives them and with ids of
// their own: of every type, corrections that give a name, the same session told by
// both, and one id for two of them.
func crew(idOf func(*drift.Record) string) []drift.Entry {
	var out []drift.Entry
	add := func(e drift.Entry, as string) *drift.Entry {
		e.Operator = as
		if e.ID == "" {
			e.ID = idOf(&e.Record)
		}
		out = append(out, e)
		return &out[len(out)-1]
	}
	bare := func(machine string, n int) drift.Entry {
		e := storetest.Calibration(machine, n)
		e.ID = ""
		return e
	}
	for n := range 12 {
		add(bare("K-7", n), []string{asa, jo, ""}[n%3])
	}
	own := bare("K-8", 100)
	own.ID = "own-1"
	add(own, asa)
	add(own, jo) // a conflict, as they differ in the person only
	own.ID = "own-2"
	add(own, asa)
	at := own.Time.Add(time.Hour)
	add(drift.Entry{Record: drift.Record{Type: drift.TypeService, Machine: "K-8", Time: at, Service: &drift.Service{Action: drift.Cleaned, Finding: drift.Dirty}}, Received: own.Received, Via: "form"}, asa)
	add(drift.Entry{Record: drift.Record{Type: drift.TypeCorrection, Machine: "K-8", Time: at, Correction: &drift.Correction{Corrects: "own-2", Reason: "typing slip",
		Changes: []drift.Change{{Field: "operator", Value: asa}, {Field: "altitude_m", Value: 410.0}}}}, Received: own.Received, Via: "form"}, jo)
	add(drift.Entry{Record: drift.Record{Type: drift.TypeSetup, Time: at, Setup: &drift.Setup{Scope: drift.ScopeFleet, CheckMinutes: drift.Some(6.0)}}, Received: own.Received, Via: "form"}, asa)
	add(drift.Entry{Record: drift.Record{Type: drift.TypeSplice, Machine: "K-8", Time: at, Splice: &drift.Splice{Count: drift.Some(int64(4)), Job: "ring 4"}}, Received: own.Received, Via: "form"}, jo)
	return append(out, arcCounts(idOf)...)
}

// arcCounts are such of a machine, half of them by somebody.
func arcCounts(idOf func(*drift.Record) string) []drift.Entry {
	out := counts("K-9", 24)
	for i := range out {
		out[i].ID = ""
		if i%2 == 0 {
			out[i].Operator = asa
		}
		out[i].ID = idOf(&out[i].Record)
	}
	return out
}

// crewRefused are refusals whose bytes hold a name, however written.
func crewRefused() []drift.Refusal {
	var out []drift.Refusal
	for i, raw := range []string{
		`{"type":"usage","operator":"Åsa \"Ö\" Lindqvist","arc_count":"many"}`,
		`{"type":"usage","operator":"\u00c5sa \"\u00D6\" Lindqvist","arc_count":"many"}`,
		`{"type":"usage","operator":"\u00C5sa \"\u00D6\" Lindqvist"}`,
		"machine=K-7&operator=%C3%85sa+%22%C3%96%22+Lindqvist&attempts=x",
		"machine,operator\nK-7,Åsa \"Ö\" Lindqvist\n",
		`{"type":"usage","operator":"Jo Lund","arc_count":"many"}`,
	} {
		out = append(out, drift.Refusal{Machine: "K-7", Via: "http", Line: i + 1, Raw: []byte(raw), Size: len(raw), Time: storetest.Received(), Last: storetest.Received(), Times: 1,
			Problem: drift.Problem{Field: "operator", Value: asa, Reason: fmt.Sprint("is wrong ", i)}})
	}
	return out
}
