package archtest_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
)

const module = "gritwatch"

// file is one Go source file of the tree.
type file struct {
	dir, name string // dir relative to the root, with slashes
	test      bool
	ast       *ast.File
	imports   []string
}

func root(t *testing.T) string {
	t.Helper()
	dir, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, "go.mod")); err != nil {
		t.Fatal(err)
	}
	return dir
}

// load gives the tree's Go files; the first to ask for them parses them.
func load(t *testing.T) (*token.FileSet, []file) {
	t.Helper()
	out, err := parsed()
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 20 {
		t.Fatalf("found only %d Go files", len(out))
	}
	return fset, out
}

var (
	fset   = token.NewFileSet()
	parsed = sync.OnceValues(parse)
)

func parse() (out []file, err error) {
	top, err := filepath.Abs("../..")
	if err != nil {
		return nil, err
	}
	err = filepath.WalkDir(top, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			switch d.Name() {
			case ".git", "node_modules", "bin", "run":
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(path, ".go") {
			return nil
		}
		parsed, err := parser.ParseFile(fset, path, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(top, filepath.Dir(path))
		if err != nil {
			return err
		}
		f := file{dir: filepath.ToSlash(rel), name: d.Name(), test: strings.HasSuffix(path, "_test.go"), ast: parsed}
		for _, spec := range parsed.Imports {
			name, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			f.imports = append(f.imports, name)
		}
		out = append(out, f)
		return nil
	})
	return out, err
}

// under tells whether dir is one of the trees, or below one.
func under(dir string, trees ...string) bool {
	return slices.ContainsFunc(trees, func(tree string) bool { return dir == tree || strings.HasPrefix(dir, tree+"/") })
}

func TestTopLevel(t *testing.T) {
	allowed := strings.Fields("agent server dashboard protocol sim-sensor deploy internal go.mod go.sum README.md DEVELOPERS.md Makefile")
	ignored := strings.Fields("bin run data journal") // made by running the programs; not in the repository
	entries, err := os.ReadDir(root(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		n := e.Name()
		if !strings.HasPrefix(n, ".") && !slices.Contains(allowed, n) && !slices.Contains(ignored, n) {
			t.Errorf("%s: not one of the top-level entries; put it where it belongs", n)
		}
	}
}

// TestImports holds each tree to what it may import of this module. Third parties have homes, see TestHomes.
func TestImports(t *testing.T) {
	rules := []struct {
		tree string
		may  []string // trees of this module
	}{
		{"protocol", []string{"protocol"}},
		{"internal/airflow", []string{"protocol/si"}},
		{"internal/vent", []string{"protocol/si", "protocol/points", "internal/statecodec"}},
		{"internal", []string{"protocol", "internal"}},
		{"agent/internal/beacon", []string{"protocol/modbus", "agent/internal/config"}},
		{"agent", []string{"protocol", "internal", "agent"}},
		{"server/internal/engine", []string{"protocol", "internal/vent", "internal/airflow", "internal/statecodec", "server/internal/engine", "server/internal/gauges"}},
		{"server/internal/gauges", []string{"protocol/si", "protocol/points", "internal/vent", "internal/statecodec"}},
		{"server/internal/feed", []string{"protocol"}},
		{"server/internal/alarm", []string{"protocol/si", "protocol/points", "internal/vent", "internal/alarmtext", "server/internal/gauges"}},
		{"server/internal/ledger", nil},
		{"server/internal/clocks", []string{"protocol/si"}},
		{"server/internal/history", []string{"protocol"}},
		{"server/internal/records", []string{"protocol", "server/internal/clocks", "server/internal/engine"}},
		{"server/internal/keep", []string{"protocol", "server/internal/feed", "server/internal/ledger", "server/internal/clocks", "server/internal/history", "server/internal/records"}},
		{"server/internal/metrics", []string{"protocol", "internal", "server/internal/alarm", "server/internal/pot", "server/internal/feed", "server/internal/ingest"}},
		{"server/internal/notify/message", []string{"protocol/si", "server/internal/alarm"}},
		{"server/internal/notify/outbox", []string{"protocol/si", "server/internal/alarm", "server/internal/notify/message"}},
		{"server/internal/notify", []string{"protocol", "internal/brokerlink", "internal/yamlfile", "server/internal/alarm", "server/internal/records", "server/internal/config", "server/internal/notify"}},
		{"server", []string{"protocol", "internal", "server", "dashboard"}},
		{"sim-sensor", []string{"protocol", "internal", "sim-sensor"}},
		{"dashboard", []string{"dashboard", "protocol", "internal/vent", "internal/messages", "internal/alarmtext"}},
	}
	// The simulator must not know the judge's or the engine's model. The answer's configuration type is fine.
	_, files := load(t)
	for _, f := range files {
		if f.test {
			continue
		}
		for _, imp := range f.imports {
			rest, ours := strings.CutPrefix(imp, module+"/")
			if !ours {
				continue
			}
			for _, r := range rules {
				if !under(f.dir, r.tree) {
					continue
				}
				if !under(rest, r.may...) && !under(rest, f.dir) {
					t.Errorf("%s/%s imports %s: %s may import only %s", f.dir, f.name, imp, r.tree, strings.Join(r.may, ", "))
				}
				break
			}
		}
	}
}

// TestPure keeps clocks, I/O, goroutines and the order of maps out of the cores.
func TestPure(t *testing.T) {
	pure := []string{"internal/airflow", "internal/edgenode/session", "internal/statecodec", "internal/vent", "server/internal/engine", "server/internal/gauges", "server/internal/crossed", "server/internal/alarm", "server/internal/signals", "internal/alarmtext", "server/internal/ledger", "server/internal/clocks", "server/internal/notify/message", "server/internal/notify/outbox", "protocol/si", "protocol/points", "protocol/modbus",
		"agent/internal/ascii/lines", "agent/internal/backlog", "agent/internal/beacon", "agent/internal/journal/frame", "sim-sensor/internal/plant", "sim-sensor/internal/transducer", "sim-sensor/internal/fault"}
	banned := strings.Fields("os net net/http io io/fs log log/slog context sync sync/atomic os/exec os/signal syscall math/rand")
	clock := strings.Fields("Now Since Until After AfterFunc NewTimer NewTicker Tick Sleep")
	fset, files := load(t)
	// Where the core shares a package with its connection, its files are named.
	pureFiles := strings.Fields("host.go node.go lines.go order.go state.go")
	for _, f := range files {
		named := f.dir == "server/internal/ingest" && slices.Contains(pureFiles, f.name)
		if f.test || !named && !under(f.dir, pure...) {
			continue
		}
		for _, imp := range f.imports {
			if slices.Contains(banned, imp) {
				t.Errorf("%s/%s imports %s: this package is pure", f.dir, f.name, imp)
			}
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GoStmt:
				t.Errorf("%s: starts a goroutine in a pure package", fset.Position(n.Pos()))
			case *ast.SelectorExpr:
				if x, ok := n.X.(*ast.Ident); ok && x.Name == "time" && slices.Contains(clock, n.Sel.Name) {
					t.Errorf("%s: time.%s in a pure package: time is an argument", fset.Position(n.Pos()), n.Sel.Name)
				}
			}
			return true
		})
	}
}

// TestCores keeps goroutines out of the packages that the Makefile tests in full only without the race detector, and out of their tests.
func TestCores(t *testing.T) {
	makefile, err := os.ReadFile(filepath.Join(root(t), "Makefile"))
	if err != nil {
		t.Fatal(err)
	}
	_, list, _ := strings.Cut(string(makefile), "\nCORES := ")
	list, _, _ = strings.Cut(strings.ReplaceAll(list, "\\\n", " "), "\n")
	cores := map[string]bool{} // dir, and whether there are tests in it or below
	for _, pattern := range strings.Fields(list) {
		cores[strings.TrimSuffix(strings.TrimPrefix(pattern, "./"), "/...")] = false
	}
	if len(cores) == 0 {
		t.Fatal("the Makefile has no CORES")
	}
	fset, files := load(t)
	for _, f := range files {
		for dir := range cores {
			if !under(f.dir, dir) {
				continue
			}
			cores[dir] = cores[dir] || f.test
			ast.Inspect(f.ast, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.GoStmt:
					t.Errorf("%s: starts a goroutine in one of the Makefile's CORES: the race detector must see it", fset.Position(n.Pos()))
				case *ast.SelectorExpr:
					x, ok := n.X.(*ast.Ident)
					switch {
					case n.Sel.Name == "Go": // of a wait group
						t.Errorf("%s: starts a goroutine in one of the Makefile's CORES: the race detector must see it", fset.Position(n.Pos()))
					case ok && x.Name == "t" && n.Sel.Name == "Parallel":
						t.Errorf("%s: runs tests beside each other in one of the Makefile's CORES: the race detector must see them", fset.Position(n.Pos()))
					}
				}
				return true
			})
		}
	}
	for dir, tests := range cores {
		if !tests {
			t.Errorf("the Makefile's CORES: no tests in %s", dir)
		}
	}
}

// TestHomes gives every third-party library one home a program.
func TestHomes(t *testing.T) {
	homes := map[string][]string{
		"github.com/eclipse/paho.mqtt.golang":    {"internal/edgenode", "internal/brokerlink", "server/internal/ingest"},
		"github.com/mochi-mqtt/server/v2":        {"server/internal/broker"},
		"github.com/gorilla/websocket":           {"server/internal/live"},
		"go.bug.st/serial":                       {"agent/internal/serialport"},
		"github.com/creack/pty":                  {"sim-sensor/internal/line"},
		"github.com/goccy/go-yaml":               {"internal/yamlfile"},
		"github.com/alecthomas/kong":             {"agent", "server", "sim-sensor", "internal/program"},
		"google.golang.org/protobuf":             {"protocol/sparkplug"},
		"github.com/prometheus/client_golang":    {"server/internal/metrics", "server/internal/app", "server/internal/history"},
		"github.com/wneessen/go-mail":            {"server/internal/notify/mail"},
		"golang.org/x/crypto":                    {"server/internal/broker"},
		"golang.org/x/sync":                      {"agent", "server", "sim-sensor", "internal"},
		"golang.org/x/sys":                       {"agent", "server", "sim-sensor", "internal"},
		"pgregory.net/rapid":                     {},
		"github.com/prometheus/client_model":     {"server/internal/metrics", "server/internal/history"},
		"golang.org/x/term":                      {"sim-sensor/internal/line"},
		"github.com/prometheus/prometheus":       {"server/internal/history"},
		"github.com/prometheus/common":           {"server/internal/metrics"},
		"github.com/oklog/ulid":                  {"server/internal/history", "server/internal/records"},
		"modernc.org/sqlite":                     {"server/internal/records"},
		"github.com/pressly/goose/v3":            {"server/internal/records"},
		"github.com/bufbuild/buf":                {},
		"honnef.co/go/tools":                     {},
		"github.com/santhosh-tekuri/jsonschema/": {},
	}
	_, files := load(t)
	for _, f := range files {
		if f.test {
			continue
		}
		for _, imp := range f.imports {
			first, _, _ := strings.Cut(imp, "/")
			if !strings.Contains(first, ".") {
				continue
			}
			known := false
			for lib, trees := range homes {
				if !under(imp, strings.TrimSuffix(lib, "/")) {
					continue
				}
				known = true
				if !under(f.dir, trees...) {
					t.Errorf("%s/%s imports %s: its home is %s", f.dir, f.name, imp, strings.Join(trees, ", "))
				}
			}
			if !known {
				t.Errorf("%s/%s imports %s: give it a home in this test first", f.dir, f.name, imp)
			}
		}
	}
}

// TestOnlyVentSaysVented: no other package names the word or builds an answer that says it.
func TestOnlyVentSaysVented(t *testing.T) {
	fset, files := load(t)
	for _, f := range files {
		if f.test || under(f.dir, "internal/vent") {
			continue
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.SelectorExpr:
				if x, ok := n.X.(*ast.Ident); ok && x.Name == "vent" && n.Sel.Name == "Vented" {
					t.Errorf("%s: vent.Vented outside internal/vent: pass the judge's word on instead", fset.Position(n.Pos()))
				}
			case *ast.BasicLit:
				if n.Kind == token.STRING && strings.Trim(n.Value, "\"`") == "vented" {
					t.Errorf("%s: the word itself outside internal/vent", fset.Position(n.Pos()))
				}
			}
			return true
		})
	}
}

// TestDocumented wants a comment on every package and every exported declaration.
func TestDocumented(t *testing.T) {
	fset, files := load(t)
	doc := map[string]bool{}
	for _, f := range files {
		if f.test {
			continue
		}
		doc[f.dir] = doc[f.dir] || f.ast.Doc != nil
		if ast.IsGenerated(f.ast) {
			continue
		}
		for _, d := range f.ast.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Name.IsExported() && fn.Doc == nil && (fn.Recv == nil || exported(fn.Recv)) {
				switch fn.Name.Name {
				case "Error", "String", "Unwrap":
				default:
					t.Errorf("%s: %s has no comment", fset.Position(fn.Pos()), fn.Name.Name)
				}
			}
		}
	}
	for dir, ok := range doc {
		if !ok {
			t.Errorf("%s: no package comment", dir)
		}
	}
}

func exported(recv *ast.FieldList) bool {
	e := recv.List[0].Type
	if s, ok := e.(*ast.StarExpr); ok {
		e = s.X
	}
	id, ok := e.(*ast.Ident)
	return ok && id.IsExported()
}
