package web

import (
	"errors"
	"io"
	"net/http"
	"time"

	"arcdrift/agent/export"
	"arcdrift/agent/store"
	"arcdrift/drift"
)

// LeftOutTrailer says behind such an answer what is not in it.
const LeftOutTrailer = "Arcdrift-Left-Out"

// getExport answers everything kept, as JSON lines or, with format=csv, as CSV,
// in the form that an import takes again.
func (s *Server) getExport(w http.ResponseWriter, r *http.Request) {
	format, kind := "json", jsonLines
	switch asked := r.URL.Query().Get("format"); asked {
	case "", "json":
	case "csv":
		format, kind = "csv", "text/csv; charset=utf-8"
	default:
		refuse(w, http.StatusBadRequest, &drift.Problem{Field: "format", Value: asked, Reason: "must be json or csv"})
		return
	}
	s.stream(w, kind, func(w io.Writer) error { return s.Export(w, format, s.part) })
}

// getBackup answers a copy of the store as it is at this moment.
func (s *Server) getBackup(w http.ResponseWriter, _ *http.Request) {
	if s.Backup == nil {
		refuse(w, http.StatusNotImplemented, &drift.Problem{Reason: store.ErrNoCopy.Error()})
		return
	}
	s.stream(w, "application/octet-stream", s.Backup)
}

// stream answers what may be long.
func (s *Server) stream(w http.ResponseWriter, kind string, write func(io.Writer) error) {
	// A large store takes longer to read out than any page may.
	if err := http.NewResponseController(w).SetWriteDeadline(time.Time{}); err != nil {
		s.Log.Debug("a long answer keeps its time limit", "error", err)
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("Trailer", LeftOutTrailer)
	err := write(w)
	if left := (*export.LeftOut)(nil); errors.As(err, &left) {
		s.Log.Warn("an answer was not all", "error", left)
		w.Header().Set(LeftOutTrailer, left.Error())
		return
	}
	if err != nil {
		// Half of it is sent: only a broken connection says that it is not all.
		s.Log.Error("a long answer broke off", "error", err)
		panic(http.ErrAbortHandler)
	}
}
