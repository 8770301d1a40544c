package alert_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/agent/alert"
	"arcdrift/drift"
)

func TestNotice(t *testing.T) {
	day := func(n float64) time.Time { return monday.Add(time.Duration(n * 24 * float64(time.Hour))) }
	sent := func(machine string, at, service float64) alert.Outcome {
		return alert.Outcome{Subject: machine, SentAt: day(at), Service: day(service)}
	}
	outcomes := []alert.Outcome{
		sent("K-01", 0, 6),
		sent("K-01", 5, 6), // two rules of one machine: the earlier message counts
		sent("K-02", 4, 5),
		sent("K-03", 9, 8), // the service was logged late
		{Subject: "K-04", Service: day(7)},
		sent("K-05", 0, 3),
		sent("K-07", 1, -8),
	}
	found := []alert.Found{
		{"K-00", day(-9)}, // before there were any alerts
		{"K-07", day(-8)}, // logged so late that its case was opened meanwhile
		{"K-01", day(6)}, {"K-02", day(5)}, {"K-03", day(8)}, {"K-04", day(7)}, {"K-05", day(9)}, {"K-06", day(2)},
	}
	// Sent 6, 1, 0 and 0 days before: those in the middle are 0 and 1. K-04 was listed
	// only, K-05 had another service, K-06 no case.
	assert.Equal(t, alert.Notice{Found: 7, Ahead: 1, Late: 3, Missed: 3, Days: drift.Some(0.5)}, alert.NoticeOf(outcomes, found, day(-1)))
	assert.Equal(t, alert.Notice{}, alert.NoticeOf(nil, nil, monday))
}
