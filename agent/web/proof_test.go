package web

import (
	"errors"
	"net/http"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestProofIsAFile(t *testing.T) {
	for path, want := range map[string][2]string{
		"/proof?job=J-114":                                  {"proof-job-J-114.zip", "job J-114 0001-01-01T00:00:00Z 0001-01-01T00:00:00Z"},
		"/api/v1/proof?job=J-114":                           {"proof-job-J-114.zip", "job J-114 0001-01-01T00:00:00Z 0001-01-01T00:00:00Z"},
		"/proof?machine=K-07&from=2026-02-01&to=2026-02-28": {"proof-machine-K-07.zip", "machine K-07 2026-02-01T00:00:00Z 2026-02-28T23:59:59Z"},
		"/api/v1/proof?machine=K-07&from=2026-02-01T06:00:00%2B01:00&to=2026-02-28T06:00:00%2B01:00": {"proof-machine-K-07.zip", "machine K-07 2026-02-01T06:00:00+01:00 2026-02-28T06:00:00+01:00"},
	} {
		w := get(t, yard(), path)
		assert.Equal(t, http.StatusOK, w.Code, path)
		assert.Equal(t, "application/zip", w.Header().Get("Content-Type"))
		assert.Equal(t, `attachment; filename="`+want[0]+`"`, w.Header().Get("Content-Disposition"))
		assert.Equal(t, want[1], w.Body.String(), path)
	}
}

func TestProofSaysWhatIsToBePutRight(t *testing.T) {
	for query, want := range map[string]string{
		"job=J-0":                                       "no splice record names it",
		"machine=K-07&from=2026-02-01":                  "to is missing",
		"machine=K-07&from=soon&to=2026-02-01":          "must be a day like 2026-03-02",
		"machine=K-07&from=2026-02-02&to=2026-02-01":    "must be after from",
		"from=2026-02-01":                               "name a job, or a machine",
		"job=J-1&from=2026-02-01":                       "is asked for alone",
		"machine=K-07&from=2026-02-01&to=x&known_at=no": "must be a time with its offset",
	} {
		w := get(t, yard(), "/proof?"+query)
		assert.Equal(t, http.StatusBadRequest, w.Code, query)
		assert.Contains(t, w.Body.String(), "One thing to put right", query)
		assert.Contains(t, w.Body.String(), want, query)
		w = get(t, yard(), "/api/v1/proof?"+query)
		assert.Equal(t, http.StatusBadRequest, w.Code, query)
		assert.Contains(t, w.Body.String(), want, query)
	}
}

func TestProofWithoutAKeySaysWhy(t *testing.T) {
	f := yard()
	f.takeErr = errors.New("the private key is gone")
	w := get(t, f, "/proof")
	assert.Contains(t, w.Body.String(), "No pack can be signed.")
	assert.Contains(t, w.Body.String(), "the private key is gone")
	f.moveErr = errors.New("disk")
	assert.Equal(t, http.StatusInternalServerError, get(t, f, "/proof?job=J-114").Code)
}
