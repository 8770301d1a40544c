package web

import (
	"compress/gzip"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// worthIt is the size in bytes from which an answer is packed: a smaller one
// goes in one packet as it is.
const worthIt = 1400

// small sends what is text packed by gzip to who can unpack it: vans have slow
// links. Parts of files go as they are, for their place is counted unpacked.
func small(next http.Handler) http.Handler {
	packers := &sync.Pool{New: func() any { return gzip.NewWriter(io.Discard) }}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Add("Vary", "Accept-Encoding")
		if r.Method == http.MethodHead || r.Header.Get("Range") != "" || !unpacks(r.Header.Get("Accept-Encoding")) {
			next.ServeHTTP(w, r)
			return
		}
		a := &packed{ResponseWriter: w, packers: packers}
		next.ServeHTTP(a, r)
		a.end() // not when next panics: half an answer must not look whole
	})
}

// unpacks is whether a request's Accept-Encoding allows gzip (RFC 9110, 12.5.3).
func unpacks(accepts string) bool {
	for coding := range strings.SplitSeq(accepts, ",") {
		name, weight, _ := strings.Cut(coding, ";")
		if !strings.EqualFold(strings.TrimSpace(name), "gzip") {
			continue
		}
		_, q, weighed := strings.Cut(weight, "=")
		n, err := strconv.ParseFloat(strings.TrimSpace(q), 64)
		return !weighed || err == nil && n > 0
	}
	return false
}

// packed is an answer that is packed when its first bytes show that this is
// worth it. Until then its status waits.
type packed struct {
	http.ResponseWriter
	packers *sync.Pool
	status  int          // as the handler set it, 0 for not yet
	begun   bool         // the status is sent
	z       *gzip.Writer // nil when it goes as it is
}

// Unwrap is for http.ResponseController.
func (p *packed) Unwrap() http.ResponseWriter { return p.ResponseWriter }

func (p *packed) WriteHeader(status int) {
	if p.status == 0 {
		p.status = status
	}
}

func (p *packed) Write(b []byte) (int, error) {
	if !p.begun {
		p.begin(len(b))
	}
	if p.z != nil {
		return p.z.Write(b)
	}
	return p.ResponseWriter.Write(b)
}

// begin sends the status, for an answer whose first bytes are n.
func (p *packed) begin(n int) {
	h := p.Header()
	kind, _, _ := strings.Cut(h.Get("Content-Type"), ";")
	text := strings.HasPrefix(kind, "text/") || slices.Contains([]string{"image/svg+xml", "application/json", jsonLines}, kind)
	if n >= worthIt && text && h.Get("Content-Encoding") == "" {
		h.Set("Content-Encoding", "gzip")
		h.Del("Content-Length")
		p.z = p.packers.Get().(*gzip.Writer)
		p.z.Reset(p.ResponseWriter)
	}
	p.begun = true
	if p.status != 0 {
		p.ResponseWriter.WriteHeader(p.status)
	}
}

// end sends what is left.
func (p *packed) end() {
	if !p.begun {
		p.begin(0)
	}
	if p.z != nil {
		_ = p.z.Close() // the client may have gone
		p.packers.Put(p.z)
	}
}
