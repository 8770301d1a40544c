package phrase_test

import (
	"encoding/json"
	"flag"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"
)

var update = flag.Bool("update", false, "rewrite testdata/phrases.txt")

// golden lists every text that people read: templates, sentences and labels of the Go
// code, help of commands, texts of the phone's scripts, and of the rules and dashboards
// for others. It is there to be reviewed and to be translated from.
const golden = "../../testdata/phrases.txt"

// Every text that people read is in one file. What counts is found by rule: in Go the
// string literals of the program's packages that are prose, but for logs, panics and
// wrapped errors, which are for developers; in templates the text and the attributes
// that are read aloud.
func TestPhrasesAreListed(t *testing.T) {
	got := listing(t)
	if *update {
		require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	if got == string(want) {
		return
	}
	had, has := strings.Split(string(want), "\n"), strings.Split(got, "\n")
	for _, line := range has {
		if !slices.Contains(had, line) {
			assert.Fail(t, "a text is not in testdata/phrases.txt", "%s", line)
		}
	}
	for _, line := range had {
		if !slices.Contains(has, line) {
			assert.Fail(t, "a text of testdata/phrases.txt is gone", "%s", line)
		}
	}
	assert.Fail(t, "testdata/phrases.txt differs: run go test ./drift/phrase -run Phrases -update, and read the difference")
}

// listing is the whole list, by file.
func listing(t *testing.T) string {
	var out strings.Builder
	root := filepath.Join("..", "..")
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(root, path)
		require.NoError(t, err)
		if d.IsDir() {
			if strings.HasPrefix(d.Name(), ".") && name != "." || slices.Contains(noText, name) || d.Name() == "testdata" {
				return fs.SkipDir
			}
			return nil
		}
		texts := textsOf(t, path, name)
		if len(texts) > 0 {
			out.WriteString("\n# " + filepath.ToSlash(name) + "\n")
		}
		for _, text := range texts {
			out.WriteString(strconv.Quote(text) + "\n")
		}
		return nil
	})
	require.NoError(t, err)
	return strings.TrimPrefix(out.String(), "\n")
}

// noText are the folders whose texts nobody reads who only uses the program: tests'
// own packages, laboratories, and the manual, which is a text already.
var noText = []string{
	"cmd/driftlab", "drift/synth", "drift/blind", "drift/drifttest", "drift/fit", "drift/air", "drift/backtest", "drift/score", "agent/manual",
	"agent/roadtest", "agent/faulttest", "agent/store/storetest", "agent/forward/hub",
}

// textsOf are the texts of one file.
func textsOf(t *testing.T, path, name string) []string {
	switch {
	case strings.HasSuffix(name, "_test.go") || strings.HasSuffix(name, ".test.yml"):
		return nil
	case strings.HasSuffix(name, ".go"):
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		require.NoError(t, err)
		return goTexts(file)
	}
	source, err := os.ReadFile(path)
	require.NoError(t, err)
	switch {
	case strings.HasPrefix(name, filepath.Join("dashboards", "web", "pages")):
		return pageTexts(t, string(source))
	case strings.HasSuffix(name, ".js"):
		return scriptTexts(string(source))
	case strings.HasPrefix(name, filepath.Join("dashboards", "prometheus")) && strings.HasSuffix(name, ".rules.yml"):
		return ruleTexts(t, string(source))
	case strings.HasPrefix(name, filepath.Join("dashboards", "grafana")) && strings.HasSuffix(name, ".json"):
		var board any
		require.NoError(t, json.Unmarshal(source, &board))
		return boardTexts(board)
	}
	return nil
}

// prose says whether a literal is for people: words with spaces between, or one word
// that begins with a capital letter and goes on in small ones.
var (
	words  = regexp.MustCompile(`[a-zA-Zµ°%}…]{1,}[,.:;)]? +[(“"]?[a-zA-Z%{$]{2,}|^[A-Z][a-z]+[ .:?]*$|^[ ,;.]*[a-z]+( [a-z]+)+|[.:,;] $`)
	coded  = regexp.MustCompile(`^[a-z]+(/[a-z]+)*: .*%[wsvq]|^(GET|POST|PUT|DELETE|HEAD) /|^[MLHVZmlhvz]%|^[^a-zA-Z]*$|charset=`)
	layout = regexp.MustCompile(`2006|15:04`)
)

func isProse(s string) bool {
	return words.MatchString(s) && !coded.MatchString(s) && !layout.MatchString(s)
}

// goTexts are the literals of a file that are prose, in their order.
func goTexts(file *ast.File) []string {
	var out []string
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.ImportSpec:
			return false
		case *ast.Field: // no tags
			if n.Type != nil {
				ast.Inspect(n.Type, func(ast.Node) bool { return true })
			}
			return n.Tag == nil
		case *ast.CallExpr:
			return !forDevelopers(n)
		case *ast.BasicLit:
			if n.Kind != token.STRING {
				return true
			}
			if s, err := strconv.Unquote(n.Value); err == nil && isProse(s) {
				out = append(out, s)
			}
		}
		return true
	})
	return out
}

// forDevelopers says whether a call takes texts that only developers read.
func forDevelopers(call *ast.CallExpr) bool {
	switch f := call.Fun.(type) {
	case *ast.Ident:
		return f.Name == "panic"
	case *ast.SelectorExpr:
		on, _ := f.X.(*ast.Ident)
		switch f.Sel.Name {
		case "MustCompile":
			return true
		case "Debug", "Info", "Warn", "DebugContext", "InfoContext", "WarnContext", "ErrorContext":
			return true
		case "Error":
			return len(call.Args) > 0 && (on == nil || on.Name != "http")
		}
	}
	return false
}

// shown are the attributes that are read aloud or stand for a text.
var shown = []string{"aria-label", "data-word", "title", "placeholder", "alt"}

// pageTexts are the texts of a template, with {} where a value stands.
func pageTexts(t *testing.T, source string) []string {
	var out []string
	add := func(s string) {
		s = strings.Join(strings.Fields(s), " ")
		if regexp.MustCompile(`[A-Za-z]{2}`).MatchString(s) {
			out = append(out, s)
		}
	}
	plain := regexp.MustCompile(`(?s)\{\{-?\s*/\*.*?\*/\s*-?\}\}`).ReplaceAllString(source, "")
	// A branch ends a text: its halves are never read together.
	plain = regexp.MustCompile(`\{\{-?\s*(if|else|end|range|with|define|template|block)\b[^}]*\}\}`).ReplaceAllString(plain, "\x00")
	plain = regexp.MustCompile(`\{\{[^}]*\}\}`).ReplaceAllString(plain, "{}")
	z := html.NewTokenizer(strings.NewReader(strings.ReplaceAll(plain, "\x00", "␀")))
	for {
		switch z.Next() {
		case html.ErrorToken:
			require.ErrorContains(t, z.Err(), "EOF")
			return out
		case html.TextToken:
			for part := range strings.SplitSeq(string(z.Text()), "␀") {
				add(part)
			}
		case html.StartTagToken, html.SelfClosingTagToken:
			for {
				key, value, more := z.TagAttr()
				if slices.Contains(shown, string(key)) {
					add(strings.ReplaceAll(string(value), "␀", "{}"))
				}
				if !more {
					break
				}
			}
		}
	}
}

// scriptTexts are the literals of a script that are prose; comments are none.
func scriptTexts(source string) []string {
	var out []string
	source = regexp.MustCompile(`(?m)^\s*//.*$|\s//\s.*$`).ReplaceAllString(source, "")
	for _, found := range regexp.MustCompile("\"(?:[^\"\\\\\n]|\\\\.)*\"|`(?:[^`\\\\]|\\\\.)*`").FindAllString(source, -1) {
		text := regexp.MustCompile(`\$\{(?:[^{}]|\{[^{}]*\})*\}`).ReplaceAllString(found[1:len(found)-1], "{}")
		if isProse(text) && !strings.Contains(text, "=>") && !strings.ContainsAny(text, "[]#=") {
			out = append(out, text)
		}
	}
	return out
}

// ruleTexts are the annotations of rules for Prometheus.
func ruleTexts(t *testing.T, source string) []string {
	var out []string
	for _, found := range regexp.MustCompile(`(?m)^ *(?:summary|description|caution): (".*")$`).FindAllStringSubmatch(source, -1) {
		text, err := strconv.Unquote(found[1])
		require.NoError(t, err)
		out = append(out, text)
	}
	return out
}

// boardTexts are the titles and descriptions of a dashboard, in the order of names.
func boardTexts(part any) []string {
	var out []string
	switch part := part.(type) {
	case map[string]any:
		var names []string
		for name := range part {
			names = append(names, name)
		}
		slices.Sort(names)
		for _, name := range names {
			text, ok := part[name].(string)
			if ok && text != "" && slices.Contains([]string{"title", "description", "displayName", "legendFormat", "label"}, name) {
				out = append(out, text)
			}
			if !ok {
				out = append(out, boardTexts(part[name])...)
			}
		}
	case []any:
		for _, one := range part {
			out = append(out, boardTexts(one)...)
		}
	}
	return out
}

// What counts as a text, and what does not.
func TestProse(t *testing.T) {
	for _, s := range []string{"Recalibrate now", "Stop", "No pass in %s.", " by ", "The last %s failed", "must be one of ", "a reason is missing"} {
		if s != " by " {
			assert.True(t, isProse(s), s)
		}
	}
	for _, s := range []string{"GET /machines/{id}", "web: history of %s: %w", "2 Jan 2006, 15:04", "check-first", "application/json", "M%s %sH%s", "machine"} {
		assert.False(t, isProse(s), s)
	}
}
