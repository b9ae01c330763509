package jobcard

import (
	"fmt"
	"slices"
	"strings"
)

// AskError is a name in `ask` that is no rule.
type AskError struct {
	Place string // file:line:column
	Name  string
	Rules []string
}

// Error returns 'card.yaml:9:7: ask: "tight" is no rule, expected one of ...'.
func (e *AskError) Error() string {
	return fmt.Sprintf("%s: ask: %q is no rule, expected one of %s", e.Place, e.Name, strings.Join(e.Rules, ", "))
}

// CheckAsk refuses a name in `ask` that is no rule; rules are the names of all there are. The error
// is an *AskError. Load can't check it, since the rules stand on this package.
func (c *Card) CheckAsk(rules []string) error {
	for i, name := range c.Ask {
		if slices.Contains(rules, name) {
			continue
		}
		place := ""
		if i < len(c.askPlaces) {
			place = c.askPlaces[i]
		}
		return &AskError{place, name, rules}
	}
	return nil
}
