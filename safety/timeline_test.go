package safety

import (
	"bufio"
	"cmp"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"
	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/quantity"
	"ridewitness/decode/uds"
	"ridewitness/safety/jobcard"
)

// A timeline is a small session in columns, with what one rule must say of it:
//
//	-- card.yaml --        optional
//	-- ask --              optional: names of rules, one a line
//	-- timeline --
//	# time      corner      quantity  value   unit
//	0~40/0.1    rear-left   height    85      mm      every 0.1 s from 0 to 40
//	0~40/0.1    all         height    85      mm      at each corner; also front, rear
//	40~44/0.1   rear-left   height    85~0    mm      in a straight line
//	3           rear-left   mark      tape=391 mm
//	0~40/0.1    rear-left   height    85      mm  noise=0.3   one standard deviation, always the same noise
//	5~9/0.1     rear-left   pressure  0 bar!invalid   invalid, or !outside its valid range
//	7           -           lost      12
//	20          -           request   31010313=accepted   or =refused, =silent, =no-answer, =unknown
//	20~60/2     -           request   3E80=silent
//	30          -           session   1
//	31          -           incomplete   message
//	-- want --
//	broken      rear-left   [reason]  [start~]
//	cannot-tell rear-right  stale
//
// Every finding of the rule (the name of the folder) that is not wanted fails too.
type timeline struct {
	card    *jobcard.Card
	ask     []string
	signals []decode.Signal
	steps   []step
	want    []string
}

// step is one sample, one event or one exchange between tester and control unit.
type step struct {
	at     capture.Stamp
	sample *decode.Sample
	event  *capture.Event
	talk   *decode.Talk
}

// testerPair is the address pair that the cards of the timelines name.
var testerPair = decode.Address{Request: 0x6D4, Response: 0x6DC}

const timelineStart = capture.Stamp(1772442845) * 1e9

func stampAt(seconds float64) capture.Stamp {
	return timelineStart + capture.Stamp(seconds*1e9+0.5)
}

func readTimeline(t *testing.T, path string) *timeline {
	t.Helper()
	archive, err := txtar.ParseFile(path)
	require.NoError(t, err)
	tl := &timeline{}
	for _, f := range archive.Files {
		text := string(f.Data)
		switch f.Name {
		case "card.yaml":
			tl.card, err = jobcard.Load(path, f.Data)
			require.NoError(t, err)
		case "ask":
			tl.ask = strings.Fields(text)
		case "timeline":
			for _, line := range lines(text) {
				tl.add(t, line)
			}
		case "want":
			tl.want = lines(text)
		default:
			t.Fatalf("%s: section %q is not one of card.yaml, ask, timeline, want", path, f.Name)
		}
	}
	slices.SortStableFunc(tl.steps, func(a, b step) int { return cmp.Compare(a.at, b.at) })
	for i := range tl.steps {
		if s := tl.steps[i].sample; s != nil {
			s.Packet = uint64(i + 1)
		}
	}
	return tl
}

// lines returns the lines of a section without comments and blank ones.
func lines(text string) []string {
	var all []string
	for s := bufio.NewScanner(strings.NewReader(text)); s.Scan(); {
		line, _, _ := strings.Cut(s.Text(), "#")
		if line = strings.TrimSpace(line); line != "" {
			all = append(all, line)
		}
	}
	return all
}

// groups are the words that stand for several corners.
var groups = map[string][]decode.Corner{
	"-":     {decode.NoCorner},
	"all":   decode.Corners[:],
	"front": {decode.FrontLeft, decode.FrontRight},
	"rear":  {decode.RearLeft, decode.RearRight},
}

func (tl *timeline) add(t *testing.T, line string) {
	t.Helper()
	f := strings.Fields(line)
	require.GreaterOrEqual(t, len(f), 4, "line %q", line)
	corners, ok := groups[f[1]]
	if !ok {
		corner, known := decode.ParseCorner(f[1])
		require.True(t, known, "corner in %q", line)
		corners = []decode.Corner{corner}
	}
	for _, c := range corners {
		tl.addAt(t, line, c, f)
	}
}

func (tl *timeline) addAt(t *testing.T, line string, corner decode.Corner, f []string) {
	t.Helper()
	from, to, every := span4(t, f[0])
	switch f[2] {
	case "mark":
		tl.mark(from, corner, strings.Join(f[3:], " "))
	case "lost":
		n, err := strconv.ParseUint(f[3], 10, 64)
		require.NoError(t, err, line)
		at := stampAt(from)
		tl.steps = append(tl.steps, step{at: at, event: &capture.Event{At: at, Kind: capture.EventLoss, Count: n}})
	case "unread":
		at := stampAt(from)
		tl.steps = append(tl.steps, step{at: at, event: &capture.Event{At: at, Kind: capture.EventDamage, Err: errors.New(f[3])}})
	case "counted":
		at := stampAt(from)
		tl.steps = append(tl.steps, step{at: at, event: &capture.Event{At: at, Kind: capture.EventCounters, Received: 1, Dropped: 0}})
	case "request", "session", "incomplete":
		for i := range int((to-from)/every + 0.5) {
			tl.talk(t, line, from+float64(i)*every, f)
		}
	default:
		tl.samples(t, line, from, to, every, corner, f)
	}
}

var verdicts = map[string]uds.Verdict{"accepted": uds.Accepted, "refused": uds.Refused, "silent": uds.Silent,
	"no-answer": uds.NoAnswer, "unknown": uds.Unknown}

// talk adds what tester and control unit said; an answer comes 50 ms after its request.
func (tl *timeline) talk(t *testing.T, line string, seconds float64, f []string) {
	t.Helper()
	at := stampAt(seconds)
	talk := &decode.Talk{At: at, Address: testerPair}
	switch f[2] {
	case "session":
		id, err := strconv.ParseUint(f[3], 10, 8)
		require.NoError(t, err, line)
		talk.Kind, talk.Session = decode.TalkSession, uds.Session{ID: uint8(id), Since: at}
	case "incomplete":
		talk.Kind = decode.TalkIncomplete
	default:
		text, word, _ := strings.Cut(f[3], "=")
		payload, err := hex.DecodeString(text)
		require.NoError(t, err, line)
		request, whole := uds.ParseRequest(payload)
		require.True(t, whole, line)
		verdict, known := verdicts[word]
		require.True(t, known, line)
		talk.Kind, talk.At = decode.TalkExchange, stampAt(seconds+0.05)
		talk.Exchange = uds.Exchange{Verdict: verdict, Request: request, Decided: talk.At, Asked: uds.Message{Start: at, End: at, Payload: payload}}
		switch verdict {
		case uds.Accepted:
			talk.Exchange.Answered = uds.Message{Start: talk.At, End: talk.At, Payload: append([]byte{payload[0] + 0x40}, payload[1:]...)}
		case uds.Refused:
			talk.Exchange.Code = 0x22
			talk.Exchange.Answered = uds.Message{Start: talk.At, End: talk.At, Payload: []byte{0x7F, payload[0], 0x22}}
		}
	}
	tl.steps = append(tl.steps, step{at: talk.At, talk: talk})
}

func (tl *timeline) mark(at float64, corner decode.Corner, name string) {
	name, value, _ := strings.Cut(name, "=")
	body, _ := json.Marshal(map[string]string{"kind": "mark", "name": name, "corner": corner.String(), "value": value})
	n := uint64(1)
	for _, s := range tl.steps {
		if s.event != nil && s.event.Kind == capture.EventJournal {
			n++
		}
	}
	tl.steps = append(tl.steps, step{at: stampAt(at), event: &capture.Event{At: stampAt(at), Kind: capture.EventJournal,
		Name: "mark", Record: n, Body: body}})
}

func (tl *timeline) samples(t *testing.T, line string, from, to, every float64, corner decode.Corner, f []string) {
	text, unit := f[3], ""
	if len(f) > 4 {
		unit = f[4]
	}
	text, flag1, _ := strings.Cut(text, "!")
	unit, flag2, _ := strings.Cut(unit, "!")
	index := tl.signal(t, line, f[2], corner, unit)
	status := decode.StatusValid
	switch flag1 + flag2 {
	case "":
	case "invalid":
		status = decode.StatusInvalid
	case "outside":
		status = decode.StatusOutOfRange
	default:
		t.Fatalf("flag %q in %q", flag1+flag2, line)
	}
	first, last := between(t, line, text, tl.signals[index])
	sigma := sigmaOf(t, line, f)
	chance := rand.New(rand.NewPCG(uint64(index), uint64(from*1000)))
	n := int((to-from)/every + 0.5)
	for i := range n {
		at := from + float64(i)*every
		v := first + (last-first)*float64(i)/float64(max(n, 1)) + sigma*chance.NormFloat64()
		raw := uint64(int64(math.Round(v * 1000)))
		if tl.signals[index].States != nil {
			raw = uint64(v)
		}
		tl.steps = append(tl.steps, step{at: stampAt(at), sample: &decode.Sample{At: stampAt(at), Value: v, Raw: raw,
			Signal: decode.SignalIndex(index), Status: status}})
	}
}

// sigmaOf reads 'noise=0.3' behind the unit, 0 where it is not there.
func sigmaOf(t *testing.T, line string, f []string) float64 {
	t.Helper()
	if len(f) < 6 {
		return 0
	}
	text, ok := strings.CutPrefix(f[5], "noise=")
	require.True(t, ok, "%q is not noise=NUMBER in %q", f[5], line)
	sigma, err := strconv.ParseFloat(text, 64)
	require.NoError(t, err, line)
	return sigma
}

// signal returns the index of the signal of a corner and quantity, made at its first use.
func (tl *timeline) signal(t *testing.T, line, name string, corner decode.Corner, unit string) int {
	name, reference, _ := strings.Cut(name, "/")
	full := strings.ReplaceAll(strings.Trim(corner.String()+"-"+name, "-"), "-", "_")
	for i := range tl.signals {
		if tl.signals[i].Name == full {
			return i
		}
	}
	s := decode.Signal{Name: full, Corner: corner, Scale: 0.001, Place: "timeline", Field: decode.Field{Mask: 1}}
	for q := decode.Pressure; q <= decode.Other; q++ {
		if q.String() == name {
			s.Quantity = q
		}
	}
	require.NotZero(t, s.Quantity, "quantity in %q", line)
	if unit != "" {
		u, ok := quantity.ByName(unit)
		require.True(t, ok, "unit in %q", line)
		s.Unit = u
	}
	switch {
	case reference == "absolute" || s.Quantity == decode.BarometricPressure:
		s.Reference = decode.Absolute
	case reference == "design":
		s.Reference = decode.Design
	case s.Quantity == decode.Pressure:
		s.Reference = decode.Gauge
	}
	switch s.Quantity {
	case decode.Ignition, decode.Compressor:
		s.States = map[uint64]string{0: "off", 1: "on"}
	case decode.Valve:
		s.States = map[uint64]string{0: "closed", 1: "open"}
	}
	tl.signals = append(tl.signals, s)
	return len(tl.signals) - 1
}

// between reads '85', '85~0' or the word of a state.
func between(t *testing.T, line, text string, s decode.Signal) (first, last float64) {
	for raw, word := range s.States {
		if word == text {
			return float64(raw), float64(raw)
		}
	}
	a, b, ramp := strings.Cut(text, "~")
	first, err := strconv.ParseFloat(a, 64)
	require.NoError(t, err, line)
	if !ramp {
		return first, first
	}
	last, err = strconv.ParseFloat(b, 64)
	require.NoError(t, err, line)
	return first, last
}

// span4 reads '3' or '0~40/0.1', in seconds.
func span4(t *testing.T, text string) (from, to, every float64) {
	head, step, many := strings.Cut(text, "/")
	a, b, _ := strings.Cut(head, "~")
	from, err := strconv.ParseFloat(a, 64)
	require.NoError(t, err, "time %q", text)
	if !many {
		return from, from + 1, 1
	}
	to, err = strconv.ParseFloat(b, 64)
	require.NoError(t, err, "time %q", text)
	every, err = strconv.ParseFloat(step, 64)
	require.NoError(t, err, "time %q", text)
	require.Positive(t, every)
	return from, to, every
}

// judge runs the timeline up to (and without) step n; -1 is all of it.
func (tl *timeline) judge(n int) *Judge {
	j := NewJudge(tl.signals, tl.card, tl.ask)
	for i, s := range tl.steps {
		if i == n {
			break
		}
		s.feed(j)
	}
	j.Finish()
	return j
}

func (s *step) feed(j *Judge) {
	switch {
	case s.event != nil:
		j.Event(*s.event)
	case s.talk != nil:
		j.Talk(s.talk)
	default:
		frames := []capture.Frame{{At: s.at}}
		j.ahead(frames)
		j.Observe([]decode.Sample{*s.sample})
		j.past(frames)
	}
}

func TestTimelines(t *testing.T) {
	files, err := filepath.Glob("testdata/*/*.txtar")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, path := range files {
		rule := filepath.Base(filepath.Dir(path))
		t.Run(rule+"/"+strings.TrimSuffix(filepath.Base(path), ".txtar"), func(t *testing.T) {
			require.NotNil(t, RuleByName(rule), "the folder is named after a rule")
			tl := readTimeline(t, path)
			checkTimeline(t, tl, rule)
		})
	}
}

func checkTimeline(t *testing.T, tl *timeline, rule string) {
	var said []string
	findings := tl.judge(-1).Findings()
	for _, f := range findings {
		if f.Rule.Name == rule {
			said = append(said, describe(f))
		}
	}
	left := slices.Clone(said)
	for _, want := range tl.want {
		i := slices.IndexFunc(left, func(got string) bool { return fits(got, strings.Fields(want)) })
		if i < 0 {
			t.Errorf("wanted %q; the rule said:\n%s", want, strings.Join(said, "\n"))
			continue
		}
		left = slices.Delete(left, i, i+1)
	}
	for _, extra := range left {
		t.Errorf("not wanted: %s", extra)
	}
}

// describe writes a finding as 'outcome corner reason start summary'.
func describe(f Finding) string {
	where := cmp.Or(f.Corner.String(), f.Axle.String(), "-")
	return fmt.Sprintf("%s %s %s %.1f %s | %s", f.Outcome, where, cmp.Or(string(f.Reason), "-"), f.Start.Sub(timelineStart).Seconds(), f.Summary, f.Note)
}

// fits reports whether a finding is the wanted one: each word given must agree; a start within 1 s, over which
// the movement of air is read.
func fits(got string, want []string) bool {
	have := strings.Fields(got)
	for i, w := range want {
		if s, ok := strings.CutPrefix(w, "@"); ok {
			at, err1 := strconv.ParseFloat(s, 64)
			start, err2 := strconv.ParseFloat(have[3], 64)
			if err1 != nil || err2 != nil || abs(at-start) > 1 {
				return false
			}
			continue
		}
		if i < 3 && have[i] != w {
			return false
		}
	}
	return true
}

// TestEveryRuleHasTimelines demands at least four timelines a rule: held, broken, cannot tell for
// want of data, cannot tell for bad data, where the rule has them.
func TestEveryRuleHasTimelines(t *testing.T) {
	for _, r := range Rules {
		entries, err := os.ReadDir(filepath.Join("testdata", r.Name))
		require.NoError(t, err, r.Name)
		require.GreaterOrEqual(t, len(entries), 4, r.Name)
	}
}

func TestRulesAreWhole(t *testing.T) {
	require.NoError(t, ValidateRules(Rules))
}
