package safety

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// hazard is one row of HAZARDS.md.
type hazard struct {
	id    string
	tests []string
}

var (
	hazardRow  = regexp.MustCompile(`^\| (H\d\d) \| ([^|]+) \| ([^|]+) \| ([^|]+) \|$`)
	testInRow  = regexp.MustCompile("`(Test(?:Kernel(?:Machine)?)?Hazard\\d\\d\\w+)`")
	testNumber = regexp.MustCompile(`^Test(?:Kernel(?:Machine)?)?Hazard(\d\d)`)
)

func readHazards(t *testing.T) []hazard {
	t.Helper()
	text, err := os.ReadFile("HAZARDS.md")
	require.NoError(t, err)
	var all []hazard
	for line := range strings.Lines(string(text)) {
		m := hazardRow.FindStringSubmatch(strings.TrimSpace(line))
		if m == nil {
			require.False(t, strings.HasPrefix(line, "| H"), "not a row of four columns: %s", line)
			continue
		}
		h := hazard{id: m[1]}
		for _, found := range testInRow.FindAllStringSubmatch(m[4], -1) {
			h.tests = append(h.tests, found[1])
		}
		all = append(all, h)
	}
	return all
}

// hazardTests finds every test function of the module that is named after a hazard.
func hazardTests(t *testing.T) map[string]string {
	t.Helper()
	found := map[string]string{}
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".") && d.Name() != "..") {
			return filepath.SkipDir
		}
		if !strings.HasSuffix(path, "_test.go") {
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		for _, decl := range file.Decls {
			if f, ok := decl.(*ast.FuncDecl); ok && f.Recv == nil && testNumber.MatchString(f.Name.Name) && len(f.Body.List) > 0 {
				found[f.Name.Name] = path
			}
		}
		return nil
	})
	require.NoError(t, err)
	return found
}

// TestHazardLogIsTrue holds HAZARDS.md against the tests of the module, both ways.
func TestHazardLogIsTrue(t *testing.T) {
	hazards := readHazards(t)
	require.GreaterOrEqual(t, len(hazards), 18)
	exist := hazardTests(t)
	named := map[string]bool{}
	for i, h := range hazards {
		require.Equal(t, i+1, number(t, h.id[1:]), "hazards are numbered in order")
		require.NotEmpty(t, h.tests, "%s names no test", h.id)
		for _, name := range h.tests {
			require.Contains(t, exist, name, "%s names a test that is not there", h.id)
			require.Equal(t, "H"+testNumber.FindStringSubmatch(name)[1], h.id, name)
			named[name] = true
		}
	}
	for name, path := range exist {
		require.True(t, named[name], "%s in %s stands in no row of HAZARDS.md", name, path)
	}
}

func number(t *testing.T, digits string) int {
	t.Helper()
	require.Len(t, digits, 2)
	return int(digits[0]-'0')*10 + int(digits[1]-'0')
}
