package pack

import (
	"bytes"
	"context"
	"crypto"
	"crypto/sha256"
	"fmt"
	"io"
	"net/http"
	"time"

	"github.com/digitorus/timestamp"
)

// Stamp is what a time-stamp authority said.
type Stamp struct {
	// Time is when it had seen the signature; By is its certificate's name.
	Time time.Time `json:"time"`
	By   string    `json:"by"`
}

// mostToken is how long an answer of a time-stamp server may be.
const mostToken = 1 << 20

// StampBy asks the time-stamp server at url (RFC 3161 over HTTP, section 3.4) for a token.
func StampBy(ctx context.Context, client *http.Client, url string) func(signature []byte) ([]byte, error) {
	return func(signature []byte) ([]byte, error) {
		failed := func(err error) ([]byte, error) {
			return nil, fmt.Errorf("the time-stamp server %s gave no time stamp; make the pack without it, or try again later: %w", url, err)
		}
		query, err := timestamp.CreateRequest(bytes.NewReader(signature), &timestamp.RequestOptions{Hash: crypto.SHA256, Certificates: true})
		if err != nil {
			return failed(err)
		}
		request, err := http.NewRequestWithContext(ctx, http.MethodPost, url, bytes.NewReader(query))
		if err != nil {
			return failed(err)
		}
		request.Header.Set("Content-Type", "application/timestamp-query")
		answer, err := client.Do(request)
		if err != nil {
			return failed(err)
		}
		defer answer.Body.Close()
		raw, err := io.ReadAll(io.LimitReader(answer.Body, mostToken))
		if err != nil {
			return failed(err)
		}
		if answer.StatusCode != http.StatusOK {
			return failed(fmt.Errorf("it answered %s", answer.Status))
		}
		if _, err := stampOf(raw, signature); err != nil {
			return failed(err)
		}
		return raw, nil
	}
}

// stampOf reads a time-stamp answer and checks that it is for the signature. Its own
// signature is checked by the certificate that it carries; whether that certificate is
// to be trusted is for the reader to say.
func stampOf(raw, signature []byte) (*Stamp, error) {
	token, err := timestamp.ParseResponse(raw)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(signature)
	if token.HashAlgorithm != crypto.SHA256 || !bytes.Equal(token.HashedMessage, sum[:]) {
		return nil, fmt.Errorf("the time stamp is for something else")
	}
	if len(token.Certificates) == 0 {
		return nil, fmt.Errorf("the time stamp has no certificate to check it by")
	}
	return &Stamp{Time: token.Time.UTC(), By: token.Certificates[0].Subject.String()}, nil
}

// stamped checks the time stamp, if there is one.
func (f *Finding) stamped(files map[string][]byte) {
	raw, there := files[StampName]
	if !there {
		return
	}
	s, err := stampOf(raw, files[SignatureName])
	if err != nil {
		f.wrong("%s was changed, or is not for this pack: %v.", StampName, err)
		return
	}
	f.Stamp = s
}
