package document

import "strings"

// nearest says which of the words somebody may have meant, or lists them all.
func nearest(written string, words []string) string {
	best, bestSteps := "", len(written)/3+2
	for _, w := range words {
		if steps := distance(normal(written), w); steps < bestSteps {
			best, bestSteps = w, steps
		}
	}
	if best == "" {
		return oneOf(words)
	}
	return best
}

// normal brings a word into the form of our keys.
func normal(word string) string {
	return strings.NewReplacer("-", "_", " ", "_").Replace(strings.ToLower(clip(word)))
}

// distance counts the letters that have to be put in, taken out or changed to get from a to b
// (Levenshtein 1965). Keys are short, so a table of one row serves.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
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

func oneOf(words []string) string {
	if len(words) == 1 {
		return words[0]
	}
	return "one of " + strings.Join(words, ", ")
}
