package live

import (
	"fmt"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
)

// Numbered returns the name of the n-th file of a recording, from 2 on: session-2.pcapng behind
// session.pcapng.
func Numbered(first string, n int) string {
	kind := filepath.Ext(first)
	return fmt.Sprintf("%s-%d%s", strings.TrimSuffix(first, kind), n, kind)
}

var numberedStem = regexp.MustCompile(`^(.+)-([2-9]|[1-9][0-9]{1,5})$`)

// unnumbered returns the name that Numbered was given, and the number; name itself and 1 where it has none.
func unnumbered(name string) (first string, n int) {
	kind := filepath.Ext(name)
	parts := numberedStem.FindStringSubmatch(strings.TrimSuffix(name, kind))
	if parts == nil {
		return name, 1
	}
	n, err := strconv.Atoi(parts[2])
	if err != nil {
		return name, 1
	}
	return parts[1] + kind, n
}
