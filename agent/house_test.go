package agent_test

import (
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// rooms lists the packages from the top of the house to its foundation. A
// package may import those on later lines only.
var rooms = []string{
	"cmd/arcdrift cmd/arcdrift-hub cmd/driftlab",
	"agent agent/agenttest",
	"agent/hub",
	"agent/cli",
	"agent/server",
	"agent/reach",
	"agent/alerting agent/bootcheck",
	"agent/web agent/mqtt",
	"agent/setting agent/version agent/export agent/sheet",
	"agent/metrics",
	"agent/notify",
	"agent/forward",
	"agent/proof",
	"agent/proof/pack agent/proof/document",
	"agent/auth agent/gate agent/storekey",
	"agent/store/storetest agent/pgstore",
	"agent/store agent/intake",
	"agent/share",
	"agent/fleet agent/alert",
	"agent/wire agent/backoff agent/roadtest agent/faulttest",
	"dashboards agent/manual",
	"drift/synth drift/backtest drift/whatif drift/compare",
	"drift/blind/moor drift/blind/delta drift/blind/tide",
	"drift/blind",
	"drift/lookback drift/plan",
	"drift/health",
	"drift/advise",
	"drift/forecast",
	"drift/model drift/score",
	"drift/fit",
	"drift/air drift/drifttest",
	"drift",
	"drift/phrase",
}

// only says in which packages a library may be used.
var only = map[string][]string{
	"go.etcd.io/bbolt":                    {"agent/store"},
	"github.com/jackc/pgx":                {"agent/pgstore", "agent/agenttest"},
	"github.com/pressly/goose":            {"agent/pgstore"},
	"github.com/eclipse/paho.mqtt.golang": {"agent/mqtt"},
	"github.com/mochi-mqtt/server":        {"agent/mqtt"},
	"codeberg.org/go-pdf/fpdf":            {"agent/proof/document"},
	"github.com/digitorus/timestamp":      {"agent/proof/pack"},
	"github.com/prometheus":               {"agent/metrics"},
	"github.com/spf13":                    {"agent/cli", "agent/hub", "cmd/driftlab"},
	"gonum.org/v1/gonum":                  {"drift/fit"},
	"arcdrift/drift/synth":                {"agent/cli", "cmd/driftlab"},
}

const module = "arcdrift/"

// pkg is a package as the go command lists it, without its tests.
type pkg struct {
	ImportPath, Dir, Doc string
	Imports, GoFiles     []string
}

func listPackages(t *testing.T) []pkg {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Dir,Doc,Imports,GoFiles", module+"...")
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	require.NoError(t, err)
	var all []pkg
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p pkg
		err := dec.Decode(&p)
		if errors.Is(err, io.EOF) {
			require.NotEmpty(t, all)
			return all
		}
		require.NoError(t, err)
		all = append(all, p)
	}
}

// Every library that is asked for has a row that says what for.
func TestEveryLibraryIsJustified(t *testing.T) {
	developers, err := os.ReadFile(filepath.Join("..", "DEVELOPERS.md"))
	require.NoError(t, err)
	_, rows, found := strings.Cut(string(developers), "\n## Libraries\n")
	require.True(t, found)
	out, err := exec.Command("go", "mod", "edit", "-json").Output()
	require.NoError(t, err)
	var mod struct {
		Require []struct {
			Path     string
			Indirect bool
		}
		Tool []struct{ Path string }
	}
	require.NoError(t, json.Unmarshal(out, &mod))
	named := map[string]bool{}
	for row := range strings.Lines(rows) {
		if names, rest, ok := strings.Cut(strings.TrimPrefix(row, "| "), " | "); ok && strings.Contains(names, ".") {
			assert.NotEmpty(t, strings.Trim(rest, "| \n"), row)
			for name := range strings.SplitSeq(names, ", ") {
				named[name] = true
			}
		}
	}
	for _, m := range mod.Require {
		tool := slices.ContainsFunc(mod.Tool, func(t struct{ Path string }) bool { return strings.HasPrefix(t.Path, m.Path+"/") })
		if !m.Indirect || tool {
			assert.True(t, named[m.Path], "%s has no row", m.Path)
			delete(named, m.Path)
		}
	}
	assert.Empty(t, named, "rows without a library")
}

// level is the line of the room, counted from the top.
func level(room string) int {
	return slices.IndexFunc(rooms, func(line string) bool { return slices.Contains(strings.Fields(line), room) })
}

func TestImportsPointDown(t *testing.T) {
	for _, p := range listPackages(t) {
		room := strings.TrimPrefix(p.ImportPath, module)
		require.NotEqual(t, -1, level(room), "%s is no room of the house: say in this test where it stands, or do without it", room)
		for _, path := range p.Imports {
			below, ours := strings.CutPrefix(path, module)
			inside := strings.HasPrefix(below, room+"/") && room != "agent" && room != "drift"
			if ours && !inside {
				assert.Greater(t, level(below), level(room), "%s must not import %s", room, below)
			}
			for library, places := range only {
				if path == library || strings.HasPrefix(path, library+"/") {
					assert.Contains(t, places, room, "%s must not import %s", room, path)
				}
			}
		}
	}
}

// The program for one computer does not carry the database's client.
func TestSmallProgramLinksNoDatabase(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", module+"cmd/arcdrift").Output()
	require.NoError(t, err)
	assert.NotContains(t, string(out), "github.com/jackc/")
	assert.NotContains(t, string(out), "pgstore")
}

func TestDriftIsPure(t *testing.T) {
	for _, p := range listPackages(t) {
		room := strings.TrimPrefix(p.ImportPath, module)
		if room != "drift" && !strings.HasPrefix(room, "drift/") {
			continue
		}
		for _, path := range p.Imports {
			first, _, _ := strings.Cut(path, "/")
			assert.NotContains(t, []string{"os", "net", "log"}, first, "%s must not import %s", room, path)
			if room == "drift" {
				assert.NotContains(t, path, ".", "package drift imports the standard library only")
			}
		}
		for _, name := range p.GoFiles {
			file := parse(t, filepath.Join(p.Dir, name))
			for _, call := range impure(file) {
				assert.Fail(t, "drift reads no clock and no shared chance", "%s/%s calls %s", room, name, call)
			}
		}
	}
}

// impure lists the uses of the wall clock and of the global random source.
func impure(file *ast.File) []string {
	named := map[string]string{} // local name of an import → its path
	for _, i := range file.Imports {
		path, _ := strconv.Unquote(i.Path.Value) // it was parsed: it is quoted well
		name := filepath.Base(strings.TrimSuffix(path, "/v2"))
		if i.Name != nil {
			name = i.Name.Name
		}
		named[name] = path
	}
	var out []string
	ast.Inspect(file, func(n ast.Node) bool {
		sel, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		id, ok := sel.X.(*ast.Ident)
		if !ok {
			return true
		}
		call := sel.Sel.Name
		switch named[id.Name] {
		case "time":
			ok = slices.Contains([]string{"Now", "Since", "Until", "Sleep", "After", "Tick", "NewTimer", "NewTicker", "AfterFunc", "Local", "LoadLocation"}, call)
		case "math/rand", "math/rand/v2":
			ok = !strings.HasPrefix(call, "New") && !slices.Contains([]string{"Rand", "Source", "PCG", "ChaCha8", "Zipf"}, call)
		case "crypto/rand":
		default:
			ok = false
		}
		if ok {
			out = append(out, id.Name+"."+call)
		}
		return true
	})
	return out
}

func TestImpureIsFound(t *testing.T) {
	const source = `package x
import ("time"; "math/rand/v2"; c "crypto/rand")
var _ = time.Now
var _ = time.Hour
var _ = rand.IntN
var _ = rand.NewPCG
var _ = c.Reader`
	file, err := parser.ParseFile(token.NewFileSet(), "x.go", source, 0)
	require.NoError(t, err)
	assert.Equal(t, []string{"time.Now", "rand.IntN", "c.Reader"}, impure(file))
}

func parse(t *testing.T, path string) *ast.File {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ParseComments)
	require.NoError(t, err)
	return file
}

// The longest a file and a function may be, in lines. A file that outgrows it
// holds two things.
const (
	longestFile     = 500
	longestFunction = 65
)

func TestNothingIsLong(t *testing.T) {
	forEachGoFile(t, func(path string, source []byte) {
		assert.LessOrEqual(t, strings.Count(string(source), "\n"), longestFile, "%s is too long", path)
		fset := token.NewFileSet()
		file, err := parser.ParseFile(fset, path, source, 0)
		require.NoError(t, err)
		for _, d := range file.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok || strings.HasSuffix(path, "_test.go") {
				continue // a table of cases may be long
			}
			lines := fset.Position(f.End()).Line - fset.Position(f.Pos()).Line + 1
			assert.LessOrEqual(t, lines, longestFunction, "%s: %s is too long", path, f.Name.Name)
			assert.False(t, f.Name.Name == "init" && f.Recv == nil, "%s has an init", path)
		}
	})
}

func TestNoTestIsSkipped(t *testing.T) {
	forEachGoFile(t, func(path string, source []byte) {
		file, err := parser.ParseFile(token.NewFileSet(), path, source, 0)
		require.NoError(t, err)
		ast.Inspect(file, func(n ast.Node) bool {
			if sel, ok := n.(*ast.SelectorExpr); ok && strings.HasSuffix(path, "_test.go") {
				assert.NotContains(t, []string{"Skip", "Skipf", "SkipNow"}, sel.Sel.Name, "%s skips", path)
			}
			return true
		})
	})
}

func TestEveryPackageSaysWhatItIs(t *testing.T) {
	for _, p := range listPackages(t) {
		assert.NotEmpty(t, p.Doc, "%s has no package comment", p.ImportPath)
	}
}

func TestTopLevel(t *testing.T) {
	allowed := []string{"cmd", "agent", "drift", "dashboards", "testdata", "README.md", "DEVELOPERS.md", "CHANGELOG.md", "go.mod", "go.sum", "Dockerfile"}
	out, err := exec.Command("git", "-C", "..", "ls-files", "--cached").Output()
	require.NoError(t, err)
	for path := range strings.Lines(string(out)) {
		top, _, _ := strings.Cut(strings.TrimSpace(path), "/")
		if !strings.HasPrefix(top, ".") {
			assert.Contains(t, allowed, top)
		}
	}
}

// forEachGoFile visits the Go files of the module, tests included.
func forEachGoFile(t *testing.T, visit func(path string, source []byte)) {
	t.Helper()
	seen := 0
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.IsDir() && strings.HasPrefix(d.Name(), "_") {
			return fs.SkipDir // the go command does not see it either
		}
		if err != nil || d.IsDir() || filepath.Ext(path) != ".go" {
			return err
		}
		source, err := os.ReadFile(path)
		seen++
		visit(path, source)
		return err
	})
	require.NoError(t, err)
	require.Greater(t, seen, 50)
}
