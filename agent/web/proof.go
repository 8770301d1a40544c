package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"time"

	"arcdrift/agent/proof"
	"arcdrift/drift"
)

// Proofs makes the packs that customers are given.
type Proofs interface {
	Make(ctx context.Context, part drift.Part, q proof.Question) ([]byte, error)
	// Fingerprint is that of the key that signs; the error says why there is none.
	Fingerprint() (string, error)
}

// proofView is the form that asks for a pack.
type proofView struct {
	Job, Machine, From, To string
	Machines               []string
	Fingerprint            string
	// NoKey says why nothing can be signed.
	NoKey string
	// Problem is what is to be put right, and Field where.
	Problem, Field string
}

// proofPage answers with a pack, or with the form if nothing was asked for or something
// is to be put right.
func (s *Server) proofPage(w http.ResponseWriter, r *http.Request) {
	form := r.URL.Query()
	v := &proofView{Job: cmp.Or(form.Get("job"), form.Get("ask")), Machine: form.Get("machine"), From: form.Get("from"), To: form.Get("to")}
	status := http.StatusOK
	if form.Get("job") != "" || v.From != "" || v.To != "" {
		raw, q, err := s.proof(r.Context(), form)
		if err == nil {
			sendPack(w, q, raw)
			return
		}
		problem := (*drift.Problem)(nil)
		if !errors.As(err, &problem) {
			s.fail(w, fmt.Errorf("web: a pack of proof: %w", err))
			return
		}
		v.Problem, v.Field, status = problem.Error()+".", problem.Field, http.StatusBadRequest
	}
	v.Machines = offered(s.machineNames())
	var err error
	if v.Fingerprint, err = s.Proofs.Fingerprint(); err != nil {
		v.NoKey = err.Error()
	}
	s.render(w, "proof", page{Title: "Proof for a customer", Status: status, Body: v})
}

// getProof answers with a pack.
func (s *Server) getProof(w http.ResponseWriter, r *http.Request) {
	raw, q, err := s.proof(r.Context(), r.URL.Query())
	problem := (*drift.Problem)(nil)
	switch {
	case errors.As(err, &problem):
		refuse(w, http.StatusBadRequest, problem)
	case err != nil:
		s.fail(w, fmt.Errorf("web: a pack of proof: %w", err))
	default:
		sendPack(w, q, raw)
	}
}

// sendPack sends a pack. To make it may have taken longer than any page.
func sendPack(to http.ResponseWriter, q proof.Question, raw []byte) {
	w := longAnswer(to)
	defer w.goOn()
	h := w.Header()
	h.Set("Content-Type", "application/zip")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Disposition", `attachment; filename="`+q.FileName()+`"`)
	_, _ = w.Write(raw) // the client may have gone
}

// proof makes the pack that a form asks for.
func (s *Server) proof(ctx context.Context, form url.Values) ([]byte, proof.Question, error) {
	knownAt, problem := momentOf(form, "known_at")
	if problem != nil {
		return nil, proof.Question{}, problem
	}
	q := proof.Question{Job: form.Get("job"), Machine: form.Get("machine"), KnownAt: knownAt.Or(time.Time{})}
	if q.Job != "" {
		q.Machine = ""
	}
	zone := time.UTC
	if q.Machine != "" {
		site, err := s.Fleet.Site(q.Machine)
		if err != nil {
			return nil, q, err
		}
		if site.Zone != nil {
			zone = site.Zone
		}
	}
	var err error
	if q.From, err = proof.Bound("from", form.Get("from"), zone); err == nil {
		q.To, err = proof.Bound("to", form.Get("to"), zone)
	}
	if err == nil {
		err = q.Check()
	}
	if err != nil {
		return nil, q, err
	}
	raw, err := s.Proofs.Make(ctx, s.part, q)
	return raw, q, err
}
