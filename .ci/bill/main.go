// Command bill lists what the program is made of: every module that is linked
// into it, with its version, checksum and licence.
//
//	go run ./.ci/bill            a table, with a note of what a licence asks
//	go run ./.ci/bill -texts     the licences themselves, to ship with the program
//	go run ./.ci/bill -sbom      a software bill of materials, CycloneDX 1.5 (ECMA-424)
//
// A module whose licence it cannot tell makes it fail.
package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
)

// module is a linked module as the go command lists it.
type module struct {
	Path, Version, Sum, Dir string
	Main                    bool
	Licence                 string            `json:"-"` // SPDX expression
	Texts                   map[string]string `json:"-"` // by file name
}

func main() {
	sbom := flag.Bool("sbom", false, "write a CycloneDX bill of materials")
	texts := flag.Bool("texts", false, "write the licences themselves")
	flag.Parse()
	modules, err := linked("./cmd/arcdrift")
	if err == nil {
		switch {
		case *sbom:
			err = writeSBOM(os.Stdout, modules)
		case *texts:
			writeTexts(os.Stdout, modules)
		default:
			writeTable(os.Stdout, modules)
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// linked lists the modules of a program's packages, in order, the main one left
// out and Go's own library, std, put in; for all that is built for any system look
// at go.mod.
func linked(program string) ([]module, error) {
	cmd := exec.Command("go", "list", "-deps", "-json=Module", program)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return nil, err
	}
	std, err := standard()
	if err != nil {
		return nil, err
	}
	byPath := map[string]module{std.Path: std}
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p struct{ Module *module }
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, err
		}
		if p.Module != nil && !p.Module.Main {
			byPath[p.Module.Path] = *p.Module
		}
	}
	var all []module
	for _, path := range slices.Sorted(maps.Keys(byPath)) {
		m := byPath[path]
		if err := m.read(); err != nil {
			return nil, err
		}
		all = append(all, m)
	}
	return all, nil
}

// standard is the library that comes with the go command.
func standard() (module, error) {
	out, err := exec.Command("go", "env", "GOVERSION", "GOROOT").Output()
	if err != nil {
		return module{}, err
	}
	version, root, _ := strings.Cut(strings.TrimSpace(string(out)), "\n")
	return module{Path: "std", Version: strings.TrimPrefix(version, "go"), Dir: root}, nil
}

// read finds the module's licence files and what they are.
func (m *module) read() error {
	files, err := os.ReadDir(m.Dir)
	if err != nil {
		return err
	}
	m.Texts = map[string]string{}
	var found []string
	for _, f := range files {
		name := strings.ToUpper(f.Name())
		if f.IsDir() || !slices.ContainsFunc([]string{"LICENSE", "LICENCE", "COPYING", "NOTICE", "EDL-"}, func(p string) bool { return strings.HasPrefix(name, p) }) {
			continue
		}
		text, err := os.ReadFile(filepath.Join(m.Dir, f.Name()))
		if err != nil {
			return err
		}
		m.Texts[f.Name()] = string(text)
		if id := identify(string(text)); id != "" && !slices.Contains(found, id) {
			found = append(found, id)
		}
	}
	if len(found) == 0 {
		return fmt.Errorf("the licence of %s %s cannot be told: look at %s", m.Path, m.Version, m.Dir)
	}
	slices.Sort(found)
	m.Licence = strings.Join(found, " AND ")
	if strings.HasPrefix(m.Path, "github.com/eclipse/") && slices.Contains(found, "EPL-2.0") {
		m.Licence = "EPL-2.0 OR BSD-3-Clause" // its NOTICE gives the choice
	}
	return nil
}

// identify tells a licence by sentences that only it has.
func identify(text string) string {
	text = strings.Join(strings.Fields(text), " ")
	for _, l := range []struct{ id, sentence string }{
		{"Apache-2.0", "Apache License Version 2.0"},
		{"MPL-2.0", "Mozilla Public License Version 2.0"},
		{"EPL-2.0", "Eclipse Public License - v 2.0"},
		{"BSD-3-Clause", "Neither the name of"},
		{"BSD-3-Clause", "may be used to endorse or promote products derived"},
		{"BSD-2-Clause", "Redistribution and use in source and binary forms"},
		{"ISC", "Permission to use, copy, modify, and/or distribute this software"},
		{"MIT", "Permission is hereby granted, free of charge"},
	} {
		if strings.Contains(text, l.sentence) {
			return l.id
		}
	}
	return ""
}

func writeTable(w io.Writer, modules []module) {
	for _, m := range modules {
		fmt.Fprintf(w, "%-52s %-40s %s\n", m.Path, m.Version, m.Licence)
	}
}

func writeTexts(w io.Writer, modules []module) {
	for _, m := range modules {
		fmt.Fprintf(w, "==== %s %s (%s)\n\n", m.Path, m.Version, m.Licence)
		for _, name := range slices.Sorted(maps.Keys(m.Texts)) {
			fmt.Fprintf(w, "%s\n", m.Texts[name])
		}
	}
}

func writeSBOM(w io.Writer, modules []module) error {
	type object = map[string]any
	var components []object
	for _, m := range modules {
		url := "pkg:golang/" + m.Path + "@" + m.Version
		c := object{
			"type": "library", "bom-ref": url, "name": m.Path, "version": m.Version, "purl": url,
			"licenses": []object{{"expression": m.Licence}},
		}
		if m.Sum != "" {
			c["properties"] = []object{{"name": "go:sum", "value": m.Sum}}
		}
		components = append(components, c)
	}
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	return enc.Encode(object{
		"bomFormat": "CycloneDX", "specVersion": "1.5", "version": 1,
		"metadata":   object{"component": object{"type": "application", "bom-ref": "arcdrift", "name": "arcdrift"}},
		"components": components,
	})
}
