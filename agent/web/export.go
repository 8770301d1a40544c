package web

import (
	"errors"
	"io"
	"net/http"
	"slices"
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

// long is an answer that may take longer than any page, as long as its client goes on
// reading. While a store is read out, its file cannot be exchanged, and who waits for that
// holds up everybody: a download must not stand still.
type long struct {
	http.ResponseWriter
	control *http.ResponseController
}

func longAnswer(w http.ResponseWriter) long { return long{w, http.NewResponseController(w)} }

// goOn gives the client time to read a piece.
func (l long) goOn() { _ = l.control.SetWriteDeadline(time.Now().Add(writeTime)) } // where it cannot be set, the usual time holds

// Write sends b in pieces that even a slow link takes in writeTime.
func (l long) Write(b []byte) (n int, err error) {
	const piece = 32 << 10
	for some := range slices.Chunk(b, piece) {
		l.goOn()
		sent, err := l.ResponseWriter.Write(some)
		if n += sent; err != nil {
			return n, err
		}
	}
	return n, nil
}

// stream answers what may be long.
func (s *Server) stream(to http.ResponseWriter, kind string, write func(io.Writer) error) {
	w := longAnswer(to)
	defer w.goOn() // what is buffered is sent when the handler has ended
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
