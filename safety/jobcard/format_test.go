package jobcard

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var example = regexp.MustCompile("(?s)```yaml\n(.*?)```")

// The page of the format shows what the loader takes, names every key there is, and has the bounds
// of the limits.
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
	for _, key := range slices.Concat(cardKeys, vehicleKeys, springKeys, newSpringKeys, heightKeys, readingKeys, saidKeys, stageKeys) {
		require.Contains(t, page, "`"+key+"`")
	}
	for _, name := range LimitNames {
		row := fmt.Sprintf("| `%s` | %s | %g to %g |", name.Name, name.Unit.Name, name.Least, name.Most)
		require.Contains(t, page, strings.ReplaceAll(row, "|  |", "| |"))
	}
}
