package document

// Suggestions for misspelt words. A wrong suggestion costs more than none, since people follow it, so
// only near words are suggested: maks -> mask, invalid-raw -> invalid_raw, but gain -> (all of them).

import "strings"

// nearest returns the word that somebody may have meant, or "" when none is near: a quarter of the
// letters and one more may differ. Case, and a dash for an underscore, count for nothing.
func nearest(written string, words []string) string {
	written = normal(clip(written))
	best, bestSteps := "", len(written)/4+2
	for _, w := range words {
		if steps := distance(written, normal(w)); steps < bestSteps {
			best, bestSteps = w, steps
		}
	}
	return best
}

// normal takes out what people mix up without meaning another word.
func normal(word string) string { return strings.ReplaceAll(strings.ToLower(word), "-", "_") }

// distance counts the letters that have to be put in, taken out or changed to get from a to b
// (Levenshtein 1965). Keys are short, so a table of one row serves.
func distance(a, b string) int {
	row := make([]int, len(b)+1) // row[j]: steps from the letters of a so far to the first j of b
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0] // row[j] before this letter of a
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, diagonal+1)
		}
	}
	return row[len(b)]
}

// OneOf lists words to choose from: 'gauge or absolute'.
func OneOf(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " or " + words[last]
}
