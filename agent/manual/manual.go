// Package manual is the manual of arcdrift, as it is embedded in the program.
//
// Its source is Markdown in the directory topics, and topics/index.md is its table
// of contents. What the program carries is made from it: HTML for the pages, plain
// text 78 columns wide for a terminal, and the OpenAPI document as JSON, all in one
// compressed file. A Markdown library in the program would take 0.2 to 0.8 MB of the
// 23 it may have; so the tests of this package render the topics, and fail when the
// file is not what the topics say:
//
//	go test ./agent/manual -run InStep -update
//
// writes it again, together with the tables that come from the code.
package manual

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"encoding/json"
	"fmt"
	"slices"
)

//go:embed manual.json.gz
var packed []byte

// Manual is the whole manual.
type Manual struct {
	// Index is the table of contents as HTML.
	Index string `json:"index"`
	// Topics are in the order of the table of contents.
	Topics []Topic `json:"topics"`
	// OpenAPI describes the HTTP API, an OpenAPI 3.1 document.
	OpenAPI json.RawMessage `json:"openapi"`
}

// Topic is one page of the manual.
type Topic struct {
	// Name is how the topic is asked for, one word.
	Name  string `json:"name"`
	Title string `json:"title"`
	// HTML is the body of a page without its title, Text the whole topic for a
	// terminal.
	HTML string `json:"html"`
	Text string `json:"text"`
}

// Open unpacks the manual.
func Open() (*Manual, error) {
	r, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return nil, fmt.Errorf("the manual in this program cannot be unpacked: %w", err)
	}
	m := &Manual{}
	if err := json.NewDecoder(r).Decode(m); err != nil {
		return nil, fmt.Errorf("the manual in this program cannot be read: %w", err)
	}
	return m, nil
}

// Topic finds a topic by its name.
func (m *Manual) Topic(name string) (Topic, bool) {
	at := slices.IndexFunc(m.Topics, func(t Topic) bool { return t.Name == name })
	if at < 0 {
		return Topic{}, false
	}
	return m.Topics[at], true
}
