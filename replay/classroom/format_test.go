package classroom

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// The page of the format shows what the loader takes, names every key there is, and has its bounds.
func TestFormatPage(t *testing.T) {
	text, err := os.ReadFile("FORMAT.md")
	require.NoError(t, err)
	page := string(text)
	examples := regexp.MustCompile("(?s)```yaml\n(.*?)```").FindAllStringSubmatch(page, -1)
	require.NotEmpty(t, examples)
	for _, e := range examples {
		_, err := Load("FORMAT.md", []byte(e[1]))
		require.NoError(t, err)
	}
	for _, key := range slices.Concat(lessonKeys, playsKeys, stopKeys, atKeys, choiceKeys) {
		require.Contains(t, page, "`"+key+"`")
	}
	for _, bound := range []string{
		fmt.Sprintf("1 to %d stops", maxStops), fmt.Sprintf("%d to %d lines of at most %d characters", minChoices, maxChoices, maxChoice),
		fmt.Sprintf("at most %d characters, told at the reveal to those who chose it", maxWrong), fmt.Sprintf("at most %d characters, told at the reveal |", maxReason),
	} {
		require.Contains(t, page, bound)
	}
	requireCalm(t, "FORMAT.md", page)
}
