package classroom

import (
	"fmt"
	"strings"

	"ridewitness/capture"
	"ridewitness/decode"
)

// Panel returns the trainer's picture for a terminal: a list of lines, none longer than width. The
// terminal may be on the wall, so the answer stands in it only while showAnswer is set.
//
//	where we are, who has answered
//	the stop, the question, the choices
//	four corners
//	the keys
func (s *Server) Panel(width int, showAnswer bool) []string {
	r := s.room
	n := r.board()
	r.mu.Lock()
	stop, at := r.asked(), min(r.clock.Now(), r.horizon())
	r.mu.Unlock()
	rule := strings.Repeat("-", max(width, 0))
	state := map[string]string{"playing": "paused", "due": fmt.Sprintf("held at stop %d", n.Stop), "open": "question open",
		"closed": "answers closed", "revealed": "revealed"}[n.Phase]
	if n.Playing {
		state = "playing at " + strings.ReplaceAll(n.Speed, "\u00d7", "x")
	}
	head := fmt.Sprintf("CLASS %s   %s, replayed   %s", s.code, strings.ToUpper(r.Course.Origin), r.Course.Label)
	lines := []string{
		sides(head, n.Clock+"  "+state, width),
		fmt.Sprintf("%d joined, %d answered   phones: %s", n.Joined, n.Answered, s.reach()),
		rule,
	}
	lines = append(lines, stopLines(stop, n, showAnswer)...)
	lines = append(lines, rule)
	lines = append(lines, cornerLines(r.Course, at, width)...)
	lines = append(lines, "SPACE play  PgUp PgDn stops  - + speed  Q ask  C close  R reveal  N skip  J join  V answer",
		"A replay: no vehicle moves. A witness, not an interlock. Stored air injures.")
	for i, l := range lines {
		lines[i] = clipColumns(l, width)
	}
	return lines
}

// reach says where phones find the class.
func (s *Server) reach() string {
	if !s.options.Open {
		return "this machine only"
	}
	return s.options.Address + "/j/" + s.code
}

// stopLines shows the stop at hand.
func stopLines(stop *bound, n boardNews, showAnswer bool) []string {
	if stop == nil {
		if n.Stop == 0 {
			return []string{"no stop is left"}
		}
		return []string{fmt.Sprintf("next: stop %d of %d", n.Stop, n.Stops)}
	}
	lines := []string{fmt.Sprintf("Stop %d of %d   %s", n.Stop, n.Stops, stop.Question)}
	told := showAnswer || n.Phase == Revealed.String()
	for i, c := range stop.Choices {
		mark := " "
		if told && i == stop.Answer {
			mark = "*"
		}
		lines = append(lines, fmt.Sprintf(" %s %d  %s", mark, i+1, c.Text))
	}
	if !told {
		lines = append(lines, "answer hidden (this terminal may be on the wall): V shows it for 5 s")
	}
	return lines
}

// cornerLines shows all four corners, two a line, whatever the pages show.
func cornerLines(c *Course, at capture.Stamp, width int) []string {
	text := func(id decode.Corner) string {
		p, h := c.corners[id].pressure.read(at), c.corners[id].height.read(at)
		line := fmt.Sprintf("%-11s %5s bar gauge %4s mm", id, ascii(figure(p, "%.2f")), ascii(figure(h, "%.0f")))
		if note := missing(p, h); note != "" {
			line += " " + note
		}
		return line
	}
	return []string{
		pair(text(decode.FrontLeft), text(decode.FrontRight), width),
		pair(text(decode.RearLeft), text(decode.RearRight), width),
	}
}

// ascii writes dashes and minus signs for a terminal without UTF-8.
func ascii(text string) string {
	return strings.NewReplacer("\u2013", "-", "\u2212", "-").Replace(text)
}

// pair sets two texts side by side, in halves of the width.
func pair(left, right string, width int) string {
	return fmt.Sprintf("%-*s%s", max(width/2, 0), clipColumns(left, width/2-1), right)
}

// sides sets two texts to the two ends of a line.
func sides(left, right string, width int) string {
	left = clipColumns(left, width-len(right)-1)
	return left + strings.Repeat(" ", max(width-len(left)-len(right), 1)) + right
}

// clipColumns cuts a line to a number of characters.
func clipColumns(text string, width int) string {
	runes := []rune(text)
	if len(runes) <= width {
		return text
	}
	return string(runes[:max(width, 0)])
}
