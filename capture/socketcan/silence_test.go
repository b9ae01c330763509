package socketcan

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Nothing in the package can put a frame on a bus: of all calls by which a socket sends there is one
// write, to the bell that wakes the receiving thread, and of system calls by number there are two that
// only read.
func TestNoWayToSend(t *testing.T) {
	names, err := filepath.Glob("*.go")
	require.NoError(t, err)
	var calls []string
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		require.NoError(t, err)
		calls = append(calls, sendingCalls(file)...)
	}
	require.ElementsMatch(t, []string{"Write", "SYS_RECVMMSG", "SYS_GETSOCKOPT"}, calls)
}

// sendingCalls returns what a file mentions of the system that may send, or may do anything.
func sendingCalls(file *ast.File) (calls []string) {
	ast.Inspect(file, func(n ast.Node) bool {
		s, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		x, ok := s.X.(*ast.Ident)
		if !ok || (x.Name != "unix" && x.Name != "syscall") {
			return true
		}
		for _, word := range []string{"Send", "Write", "Pwrite", "Splice", "SYS_", "IoctlSet", "Tee"} {
			if strings.HasPrefix(s.Sel.Name, word) {
				calls = append(calls, s.Sel.Name)
			}
		}
		return true
	})
	return calls
}
