package signaldef

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var example = regexp.MustCompile("(?s)```yaml\n(.*?)```")

// The page of the format shows what the loader takes, and names every key there is.
func TestFormatPage(t *testing.T) {
	text, err := os.ReadFile("FORMAT.md")
	require.NoError(t, err)
	page := string(text)
	examples := example.FindAllStringSubmatch(page, -1)
	require.NotEmpty(t, examples)
	for _, e := range examples {
		_, err := Load("FORMAT.md", []byte(e[1]))
		require.NoError(t, err)
	}
	keys := slices.Concat(signalKeys, validKeys, whenKeys, validWhileKeys, quantityNames(), unitNames)
	for _, s := range sources {
		keys = append(keys, s.keys...)
	}
	for _, key := range keys {
		require.True(t, strings.Contains(page, "`"+key+"`") || strings.Contains(page, "`"+key+":"), "the page does not name %s", key)
	}
}
