package main_test

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/doc"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/safety"
)

// The rules of the house, as tests. What a reader is told in DEVELOPERS.md and README.md is read
// from there, so that text and code can't drift apart.

// root is the folder of the module, as seen from this package.
const root = "../.."

const module = "ridewitness/"

// projectFiles returns the slash-separated names of the project's files: what is tracked and what
// would be, or without a repository all that lies there.
var projectFiles = sync.OnceValues(func() ([]string, error) {
	list := exec.Command("git", "ls-files", "-z", "--cached", "--others", "--exclude-standard")
	list.Dir = root
	if out, err := list.Output(); err == nil {
		var names []string
		for name := range strings.SplitSeq(strings.TrimSuffix(string(out), "\x00"), "\x00") {
			if _, err := os.Lstat(filepath.Join(root, name)); err == nil {
				names = append(names, name)
			}
		}
		return names, nil
	}
	var names []string
	err := fs.WalkDir(os.DirFS(root), ".", func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && !strings.HasPrefix(name, ".git/") {
			names = append(names, name)
		}
		return err
	})
	return names, err
})

// goFile is one parsed Go file.
type goFile struct {
	name string // from the root, with slashes
	*ast.File
}

// folder returns the package's folder: 'capture/session'.
func (f goFile) folder() string { return path.Dir(f.name) }

// test reports whether the file belongs to tests: its name says so, or its package serves tests only.
func (f goFile) test() bool {
	return strings.HasSuffix(f.name, "_test.go") || strings.HasSuffix(f.folder(), "test")
}

// imports returns the paths that the file imports.
func (f goFile) imports() []string {
	var all []string
	for _, spec := range f.Imports {
		p, _ := strconv.Unquote(spec.Path.Value)
		all = append(all, p)
	}
	return all
}

var fileSet = token.NewFileSet()

var goFiles = sync.OnceValues(func() ([]goFile, error) {
	names, err := projectFiles()
	if err != nil {
		return nil, err
	}
	var files []goFile
	for _, name := range names {
		if !strings.HasSuffix(name, ".go") {
			continue
		}
		f, err := parser.ParseFile(fileSet, filepath.Join(root, name), nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return nil, err
		}
		files = append(files, goFile{name, f})
	}
	return files, nil
})

// source returns the project's Go files, those of tests too where tests is set.
func source(t *testing.T, tests bool) []goFile {
	t.Helper()
	files, err := goFiles()
	require.NoError(t, err)
	require.NotEmpty(t, files)
	if tests {
		return files
	}
	return slices.DeleteFunc(slices.Clone(files), goFile.test)
}

// none fails with every offence in one message.
func none(t *testing.T, rule string, offences []string) {
	t.Helper()
	require.Empty(t, offences, "%s:\n%s", rule, strings.Join(offences, "\n"))
}

// at says where a node stands.
func (f goFile) at(n ast.Node, format string, args ...any) string {
	return fmt.Sprintf("%s:%d: %s", f.name, fileSet.Position(n.Pos()).Line, fmt.Sprintf(format, args...))
}

// trees are the folders at the top, in the one direction in which imports run.
var trees = []string{"capture", "decode", "safety", "replay", "cmd"}

func treeOf(folder string) int {
	first, _, _ := strings.Cut(folder, "/")
	return slices.Index(trees, first)
}

func TestImportsRunOneWay(t *testing.T) {
	var bad []string
	for _, f := range source(t, false) {
		require.GreaterOrEqual(t, treeOf(f.folder()), 0, "%s lies in no known tree", f.name)
		for _, p := range f.imports() {
			if to, ours := strings.CutPrefix(p, module); ours && treeOf(to) > treeOf(f.folder()) {
				bad = append(bad, fmt.Sprintf("%s imports %s", f.name, to))
			}
		}
	}
	none(t, "imports run "+strings.Join(trees, " <- "), bad)
}

// TestImportMap holds each package to its row of the map in DEVELOPERS.md. A package without a row
// fails, and so does a row that allows what nobody imports: the map is what is, not what may come.
//
//	go test ./cmd/ridewitness -run ImportMap -update-docs
//
// writes the rows anew; the sentences of packages that have one stay.
func TestImportMap(t *testing.T) {
	actual := imported(t)
	if *updateDocs {
		writeImportMap(t, actual)
	}
	allowed := importMap(t)
	var bad []string
	for from, imports := range actual {
		row, ok := allowed[from]
		if !ok {
			bad = append(bad, from+" has no row")
			continue
		}
		for to := range imports {
			if !slices.Contains(row, to) && !slices.Contains(row, "all") {
				bad = append(bad, from+" imports "+to+", which its row does not name")
			}
		}
		for _, to := range row {
			if to != "all" && !imports[to] {
				bad = append(bad, from+" does not import "+to+", which its row names")
			}
		}
	}
	for from := range allowed {
		if actual[from] == nil {
			bad = append(bad, from+" has a row and no code")
		}
	}
	slices.Sort(bad)
	none(t, "the map of packages in DEVELOPERS.md", bad)
}

// imported returns, per package, the packages of ours that it imports.
func imported(t *testing.T) map[string]map[string]bool {
	t.Helper()
	actual := map[string]map[string]bool{}
	for _, f := range source(t, false) {
		from := f.folder()
		if actual[from] == nil {
			actual[from] = map[string]bool{}
		}
		for _, p := range f.imports() {
			if to, ours := strings.CutPrefix(p, module); ours {
				actual[from][to] = true
			}
		}
	}
	return actual
}

const mapHead = "| package |"

// writeImportMap writes the table of packages anew: known ones in the order in which they stand there,
// new ones behind them with the first sentence of their package comment.
func writeImportMap(t *testing.T, actual map[string]map[string]bool) {
	t.Helper()
	known := tableRows(t, "DEVELOPERS.md", mapHead)
	text := read(t, "DEVELOPERS.md")
	var table []string
	row := func(folder, sentence string) {
		imports := "nothing"
		switch names := slices.Sorted(maps.Keys(actual[folder])); {
		case treeOf(folder) == len(trees)-1:
			imports = "all"
		case len(names) > 0:
			imports = "`" + strings.Join(names, "`, `") + "`"
		}
		table = append(table, fmt.Sprintf("| `%s` | %s | %s |\n", folder, sentence, imports))
		delete(actual, folder)
	}
	var old strings.Builder
	for _, cells := range known {
		fmt.Fprintf(&old, "| %s |\n", strings.Join(cells, " | "))
		if folder := strings.Trim(cells[0], "`"); actual[folder] != nil {
			row(folder, cells[1])
		}
	}
	require.Contains(t, text, old.String())
	for _, f := range source(t, false) {
		if actual[f.folder()] != nil && f.Doc.Text() != "" {
			row(f.folder(), new(doc.Package).Synopsis(f.Doc.Text()))
		}
	}
	text = strings.Replace(text, old.String(), strings.Join(table, ""), 1)
	require.NoError(t, os.WriteFile(filepath.Join(root, "DEVELOPERS.md"), []byte(text), 0o644))
	maps.Copy(actual, imported(t))
}

// importMap reads the table '| package | what it is | imports, of ours |' of DEVELOPERS.md.
func importMap(t *testing.T) map[string][]string {
	t.Helper()
	rows := map[string][]string{}
	for _, row := range tableRows(t, "DEVELOPERS.md", mapHead) {
		var names []string
		for name := range strings.SplitSeq(row[2], ",") {
			if name = strings.Trim(name, " `"); name != "" && name != "nothing" {
				names = append(names, name)
			}
		}
		rows[strings.Trim(row[0], " `")] = names
	}
	return rows
}

// tableRows returns the cells of the table whose head starts with head.
func tableRows(t *testing.T, file, head string) [][]string {
	t.Helper()
	_, rest, found := strings.Cut(read(t, file), "\n"+head)
	require.True(t, found, "%s has no table that begins with %q", file, head)
	lines := strings.Split(rest, "\n")
	var rows [][]string
	for _, line := range lines[min(2, len(lines)):] {
		if !strings.HasPrefix(line, "|") {
			break
		}
		cells := strings.Split(strings.Trim(line, "| "), " | ")
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		rows = append(rows, cells)
	}
	require.NotEmpty(t, rows, "the table of %s that begins with %q", file, head)
	return rows
}

func read(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, name))
	require.NoError(t, err)
	return string(text)
}

// TestImportBans names the directions that matter most, whatever the map says: a map can be edited
// without thought, these can't.
func TestImportBans(t *testing.T) {
	bans := []struct{ from, to, why string }{
		{"replay/scenario", "safety", "the judge can't be checked by its own equations"},
		{"safety/airspring", "decode", "a formula knows numbers, not signals"},
		{"safety/leak", "decode", "a formula knows numbers, not signals"},
		{"safety/sag", "decode", "a formula knows numbers, not signals"},
		{"safety/jobcard", "safety/review", "a card does not know how it is printed"},
		{"decode/isotp", "decode", "a transport knows frames, not definitions"},
		{"decode/uds", "decode", "a dialogue knows messages, not definitions"},
		{"decode/j1939", "decode", "a transport knows frames, not definitions"},
		{"decode/obd", "decode", "a service knows messages, not definitions"},
		{"decode/quantity", "capture", "units stand alone"},
	}
	var bad []string
	for _, f := range source(t, false) {
		for _, p := range f.imports() {
			to, ours := strings.CutPrefix(p, module)
			for _, ban := range bans {
				if ours && f.folder() == ban.from && (to == ban.to || strings.HasPrefix(to, ban.to+"/")) {
					bad = append(bad, fmt.Sprintf("%s imports %s: %s", f.name, to, ban.why))
				}
			}
			if f.folder() == "safety" && (to == "safety/review" || p == "os") {
				bad = append(bad, fmt.Sprintf("%s imports %s: a rule knows no report and no file", f.name, p))
			}
		}
	}
	none(t, "imports that are never right", bad)
}

// TestFrameLibrary keeps go.einride.tech/can at the edge: its frame knows classic CAN only, and its
// printed and parsed forms are none of ours. Tests may hold us against what is allowed at the edge.
func TestFrameLibrary(t *testing.T) {
	const library = "go.einride.tech/can"
	allowed := map[string][]string{
		library:                    {"capture", "capture/socketcan", "decode"},
		library + "/pkg/candevice": {"capture/socketcan"},
		library + "/pkg/socketcan": {"capture/socketcan"},
	}
	var bad []string
	for _, f := range source(t, true) {
		uses := false
		for _, p := range f.imports() {
			if p == library || strings.HasPrefix(p, library+"/") {
				uses = true
				folders, known := allowed[p]
				if !known || !f.test() && !slices.Contains(folders, f.folder()) {
					bad = append(bad, f.name+" imports "+p)
				}
			}
		}
		if uses {
			bad = append(bad, f.frameOffences()...)
		}
	}
	none(t, "the frame library", bad)
}

// frameOffences finds, in a file that imports the frame library, its frame as an embedded field and
// calls of the methods that print or parse it. Without types a call of such a name on anything counts.
func (f goFile) frameOffences() []string {
	var bad []string
	text := []string{"String", "UnmarshalString", "JSON", "MarshalJSON", "UnmarshalJSON"}
	mentioned := false
	ast.Inspect(f.File, func(n ast.Node) bool {
		if isCanFrame(n) {
			mentioned = true
		}
		if s, ok := n.(*ast.StructType); ok {
			for _, field := range s.Fields.List {
				if len(field.Names) == 0 && isCanFrame(strip(field.Type)) {
					bad = append(bad, f.at(field, "embeds can.Frame: its String method would leak through %%v"))
				}
			}
		}
		return true
	})
	ast.Inspect(f.File, func(n ast.Node) bool {
		if call, ok := n.(*ast.SelectorExpr); ok && mentioned && slices.Contains(text, call.Sel.Name) {
			bad = append(bad, f.at(n, "%s in a file that handles can.Frame", call.Sel.Name))
		}
		return true
	})
	return bad
}

func strip(e ast.Expr) ast.Node {
	if star, ok := e.(*ast.StarExpr); ok {
		return star.X
	}
	return e
}

func isCanFrame(n ast.Node) bool {
	s, ok := n.(*ast.SelectorExpr)
	if !ok || s.Sel.Name != "Frame" {
		return false
	}
	x, ok := s.X.(*ast.Ident)
	return ok && x.Name == "can"
}

// clocks are the files that may look at the clock or wait for it, and why. All others get time with
// the frames.
var clocks = []struct{ prefix, why string }{
	{"cmd/", "the program's own clock, handed down as App.Now"},
	{"capture/session/lock.go", "how long onlookers of a file are waited for"},
	{"capture/session/tail.go", "how often a file that grows is looked at"},
	{"capture/recorder/", "when a recording is flushed, synced and sealed"},
	{"replay/clock.go", "the clock of a replay"},
	{"replay/sleep", "how that clock waits"},
	{"replay/classroom/", "deadlines of connections, and a class's own time"},
	{"replay/page/", "deadlines of connections and the beat of a page"},
	{"replay/secondscreen/", "the counter that tells a page how old its news is"},
	{"replay/terminal/", "when a screen is drawn anew"},
	{"replay/live/", "how long an answer stays, a question waits and a sound is silenced"},
	{"replay/link/", "pacing onto a virtual bus"},
	{"capture/socketcan/", "stamps of what is received"},
}

func TestTimeComesWithTheFrames(t *testing.T) {
	calls := []string{"Now", "Sleep", "Since", "Until", "After", "AfterFunc", "NewTimer", "NewTicker", "Tick"}
	var bad []string
	for _, f := range source(t, false) {
		if slices.ContainsFunc(clocks, func(c struct{ prefix, why string }) bool { return strings.HasPrefix(f.name, c.prefix) }) {
			continue
		}
		ast.Inspect(f.File, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok && slices.Contains(calls, s.Sel.Name) {
				if x, ok := s.X.(*ast.Ident); ok && x.Name == "time" {
					bad = append(bad, f.at(n, "time.%s", s.Sel.Name))
				}
			}
			return true
		})
	}
	none(t, "time comes with the frames", bad)
}

// TestNoSleepInTests: a test that sleeps in real time is slow, or wrong on a slow machine. In a
// bubble of testing/synctest a sleep costs nothing and is exact.
func TestNoSleepInTests(t *testing.T) {
	var bad []string
	for _, f := range source(t, true) {
		if !f.test() || slices.Contains(f.imports(), "testing/synctest") {
			continue
		}
		ast.Inspect(f.File, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok && s.Sel.Name == "Sleep" {
				bad = append(bad, f.at(n, "sleeps outside a bubble"))
			}
			return true
		})
	}
	none(t, "no sleep as synchronisation", bad)
}

// TestCoreIsSilent: what is wrong with data is an event or a finding, what is wrong with the program
// an error; only a command may log.
func TestCoreIsSilent(t *testing.T) {
	logs := []string{"log", "log/slog", "github.com/rs/zerolog"}
	var bad []string
	for _, f := range source(t, false) {
		core := treeOf(f.folder()) < slices.Index(trees, "replay")
		for _, p := range f.imports() {
			if core && slices.Contains(logs, p) {
				bad = append(bad, f.name+" imports "+p)
			}
		}
		ast.Inspect(f.File, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || f.folder() == "cmd/ridewitness" {
				return true
			}
			if s, ok := call.Fun.(*ast.SelectorExpr); ok && strings.HasPrefix(s.Sel.Name, "Print") {
				if x, ok := s.X.(*ast.Ident); ok && x.Name == "fmt" {
					bad = append(bad, f.at(n, "prints to standard output"))
				}
			}
			return true
		})
	}
	none(t, "packages below the commands don't log or print", bad)
}

func TestNoInitFunctions(t *testing.T) {
	var bad []string
	for _, f := range source(t, false) {
		for _, d := range f.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil && fn.Name.Name == "init" {
				bad = append(bad, f.at(fn, "init: what a package does before main, nobody sees and no test can leave out"))
			}
		}
	}
	none(t, "no init functions", bad)
}

func TestEverythingExportedIsDocumented(t *testing.T) {
	documented := map[string]bool{}
	var bad []string
	for _, f := range source(t, false) {
		documented[f.folder()] = documented[f.folder()] || f.Doc.Text() != ""
		for _, d := range f.Decls {
			bad = append(bad, f.undocumented(d)...)
		}
	}
	for folder, has := range documented {
		if !has {
			bad = append(bad, folder+" has no package comment")
		}
	}
	slices.Sort(bad)
	none(t, "exported and undocumented", bad)
}

// undocumented returns the exported names of a declaration that carry no comment. In a group, the
// comment of the group counts, and so does that of the type whose values it lists.
func (f goFile) undocumented(d ast.Decl) []string {
	var bad []string
	switch d := d.(type) {
	case *ast.FuncDecl:
		if d.Name.IsExported() && exportedReceiver(d) && d.Doc.Text() == "" {
			bad = append(bad, f.at(d, "%s", d.Name.Name))
		}
	case *ast.GenDecl:
		if d.Doc.Text() != "" && d.Tok != token.TYPE {
			return nil
		}
		for i, spec := range d.Specs {
			switch s := spec.(type) {
			case *ast.TypeSpec:
				if s.Name.IsExported() && s.Doc.Text() == "" && (d.Doc.Text() == "" || d.Lparen.IsValid()) {
					bad = append(bad, f.at(s, "%s", s.Name.Name))
				}
			case *ast.ValueSpec:
				if i == 0 && d.Tok == token.CONST && s.Type != nil {
					return nil
				}
				if s.Names[0].IsExported() && s.Doc.Text() == "" && s.Comment.Text() == "" {
					bad = append(bad, f.at(s, "%s", s.Names[0].Name))
				}
			}
		}
	}
	return bad
}

// exportedReceiver reports whether a function is one, or a method of an exported type.
func exportedReceiver(d *ast.FuncDecl) bool {
	if d.Recv == nil {
		return true
	}
	e := d.Recv.List[0].Type
	for {
		switch x := e.(type) {
		case *ast.StarExpr:
			e = x.X
		case *ast.IndexExpr:
			e = x.X
		case *ast.Ident:
			return x.IsExported()
		default:
			return false
		}
	}
}

// promise matches words that a reader under a car could take for leave to go on. No output says them.
// A property of that name in a script, such as response.ok, is no output.
var promise = regexp.MustCompile(`(?i)(?:^|[^.\w])(safe|ok|ready|all clear|green)\b`)

func TestNoOutputPromises(t *testing.T) {
	var bad []string
	for _, f := range source(t, false) {
		ast.Inspect(f.File, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.ImportSpec:
				return false
			case *ast.BasicLit:
				if n.Kind == token.STRING && promise.MatchString(n.Value) {
					bad = append(bad, f.at(n, "%s", promise.FindString(n.Value)))
				}
			}
			return true
		})
	}
	names, err := projectFiles()
	require.NoError(t, err)
	for _, name := range names {
		if shown := []string{".html", ".css", ".js", ".tmpl"}; !slices.Contains(shown, path.Ext(name)) {
			continue
		}
		if found := promise.FindString(read(t, name)); found != "" {
			bad = append(bad, name+": "+found)
		}
	}
	none(t, "no output says that work may go on", bad)
}

// text reports whether a file is text that people of the project write.
func text(name string) bool {
	kinds := []string{".go", ".md", ".yaml", ".json", ".css", ".js", ".html", ".sh", ".txtar", ".tmpl", ""}
	return slices.Contains(kinds, path.Ext(name)) && !strings.Contains(name, "testdata/fuzz/")
}

func TestNothingIsLeftForLater(t *testing.T) {
	later := regexp.MustCompile(`\b(TO` + `DO|FIX` + `ME|XX` + `X|HA` + `CK)\b`)
	names, err := projectFiles()
	require.NoError(t, err)
	var bad []string
	for _, name := range names {
		if text(name) {
			for i, line := range strings.Split(read(t, name), "\n") {
				if later.MatchString(line) {
					bad = append(bad, fmt.Sprintf("%s:%d: %s", name, i+1, strings.TrimSpace(line)))
				}
			}
		}
	}
	none(t, "nothing is left for later", bad)
}

func TestFilesAreSmall(t *testing.T) {
	const mostOne, mostAll = 1 << 20, 20 << 20
	names, err := projectFiles()
	require.NoError(t, err)
	var all int64
	for _, name := range names {
		info, err := os.Lstat(filepath.Join(root, name))
		require.NoError(t, err)
		all += info.Size()
		if !strings.Contains("/"+name, "/testdata/") {
			require.LessOrEqual(t, info.Size(), int64(mostOne), name)
		}
	}
	require.LessOrEqual(t, all, int64(mostAll), "bytes of all files together")
}

// TestNothingPointsOutside: the project stands alone. No file names a folder of the machine that it
// was written on.
func TestNothingPointsOutside(t *testing.T) {
	outside := regexp.MustCompile(`(^|[^\w.])/(work|home|root)/\w`)
	names, err := projectFiles()
	require.NoError(t, err)
	var bad []string
	for _, name := range names {
		if !text(name) {
			continue
		}
		for i, line := range strings.Split(read(t, name), "\n") {
			if outside.MatchString(line) && path.Base(name) != "house_test.go" {
				bad = append(bad, fmt.Sprintf("%s:%d: %s", name, i+1, strings.TrimSpace(line)))
			}
		}
	}
	none(t, "names of folders outside", bad)
}

// TestReadmeListsEveryRule holds the README's table to the rules as they are: name, severity and
// where each comes from, in the same order.
func TestReadmeListsEveryRule(t *testing.T) {
	var want, got [][]string
	for _, r := range safety.Rules {
		want = append(want, []string{r.Name, r.Severity.String(), r.Source})
	}
	for _, row := range tableRows(t, "README.md", "| rule |") {
		require.Len(t, row, 4, "rule, severity, what it is about, source")
		got = append(got, []string{strings.Trim(row[0], "`"), row[1], row[3]})
	}
	require.Equal(t, want, got)
}

// TestCitedHazardsExist: a comment that names a hazard names one of the log.
func TestCitedHazardsExist(t *testing.T) {
	log := map[string]bool{}
	for _, row := range tableRows(t, "safety/HAZARDS.md", "| id |") {
		log[row[0]] = true
	}
	cited := regexp.MustCompile(`\bH\d{2}\b`)
	var bad []string
	for _, f := range source(t, true) {
		for _, group := range f.Comments {
			for _, id := range cited.FindAllString(group.Text(), -1) {
				if !log[id] {
					bad = append(bad, f.at(group, "%s is not in safety/HAZARDS.md", id))
				}
			}
		}
	}
	none(t, "cited hazards", bad)
}

// TestReadmeNamesTheGoVersion: whoever has an older Go is told which one is needed.
func TestReadmeNamesTheGoVersion(t *testing.T) {
	version := regexp.MustCompile(`(?m)^go (\S+)$`).FindStringSubmatch(read(t, "go.mod"))
	require.Len(t, version, 2)
	require.Contains(t, read(t, "README.md"), "Go "+version[1])
}

// TestNoModuleIsReplaced: a replaced or local module would not build elsewhere.
func TestNoModuleIsReplaced(t *testing.T) {
	mod := []byte(read(t, "go.mod"))
	require.False(t, bytes.Contains(mod, []byte("\nreplace")), "go.mod replaces a module")
	_, err := os.Stat(filepath.Join(root, "vendor"))
	require.ErrorIs(t, err, fs.ErrNotExist)
}
