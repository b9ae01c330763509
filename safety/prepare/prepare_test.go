package prepare

import (
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/host"
	"ridewitness/capture/socketcan"
	"ridewitness/decode"
	"ridewitness/decode/signaldef"
	"ridewitness/safety/jobcard"
)

// morning is when the jobs of these tests begin.
var morning = time.Date(2026, 11, 26, 8, 0, 0, 0, time.FixedZone("CET", 3600))

// adapter is a link as it should be.
func adapter() socketcan.Facts {
	return socketcan.Facts{Name: "can0", Kind: socketcan.KindAdapter, CAN: true, Up: true, MTU: 16,
		Mode: socketcan.ModeListenOnly, State: socketcan.StateErrorActive, BitRate: 500_000}
}

// good are facts of which nothing is wrong and everything is known: two definitions of one height each,
// the card of an axle.
func good(t *testing.T) *Facts {
	t.Helper()
	return &Facts{
		Now: morning, Clock: host.Clock{Known: true, Synchronised: true}, Links: []socketcan.Facts{adapter()},
		Buses:  []Bus{{Name: "can0", Facts: adapter(), Buffer: 64 << 20, Forced: true, Holds: 80_000}},
		Heard:  &Heard{Listened: 3 * time.Second, Buses: []HeardBus{{Name: "can0", Frames: 6000, Bytes: 360_000}}, Tallies: valid(2)},
		Known:  Known{Signals: definitions(t), Card: card(t)},
		Folder: Folder{Path: "jobs", Disk: host.Disk{Free: 100 << 30, Total: 200 << 30}},
		Power:  host.Power{Known: true, Percent: 90}, Sound: Sound{Tested: true, Heard: true},
		Screen: Screen{Terminal: true, Width: 80, Height: 24},
	}
}

// valid returns as many tallies of one valid value.
func valid(n int) []decode.Tally {
	tallies := make([]decode.Tally, n)
	for i := range tallies {
		tallies[i].Add(decode.Sample{At: 1, Packet: 1, Value: 3, Status: decode.StatusValid})
	}
	return tallies
}

// definitions are a pressure and a height of the one corner that the card says rides on air.
func definitions(t *testing.T) []decode.Signal {
	t.Helper()
	signals, err := signaldef.Load("wagon.yaml", []byte(`version: 1
signals:
  - {name: pressure, corner: rear-left, quantity: pressure, reference: gauge, unit: bar, from: {frame: 0x100, format: standard},
     bytes: 0-1, order: high-first, mask: 0xFFFF, scale: 0.01, offset: 0, proof: proven}
  - {name: height, corner: rear-left, quantity: height, unit: mm, from: {frame: 0x101, format: standard},
     bytes: 0-1, order: high-first, mask: 0xFFFF, scale: 0.1, offset: 0, proof: proven}
`))
	require.NoError(t, err)
	return signals
}

func card(t *testing.T) *jobcard.Card {
	t.Helper()
	c, err := jobcard.Load("card.yaml", []byte(`version: 1
job: one spring
vehicle: {label: demo wagon 7}
springs:
  rear: {corners: [rear-left], volume: 2.2 L, effective_area: 98 cm2, motion_ratio: 1, least_pressure: 1 bar, greatest_pressure: 11 bar}
heights: {rear-left: {before: 391 mm, series: 395 mm, tolerance: 5 mm}}
limits: {leak: 4 ml/min, side_difference: 8 mm, run_before_lowering: 2 min, compressor_run: 2 min}
`))
	require.NoError(t, err)
	return c
}

// find returns the check of that name.
func (r *Report) find(t *testing.T, name string) Check {
	t.Helper()
	for _, c := range r.Checks {
		if c.Name == name {
			return c
		}
	}
	require.Fail(t, "no such check", name)
	return Check{}
}

func TestNothingWrong(t *testing.T) {
	r := New(good(t))
	require.Zero(t, r.Findings, r.Text(80))
	require.Zero(t, r.Unknown, r.Text(80))
	require.Equal(t, NothingFound, r.Outcome)
	text := r.Text(80)
	require.Contains(t, text, "Nothing was found by these checks.\nNone of this proves anything about the lift, the vehicle or what hands do.\n")
	require.Contains(t, text, "Witness, not an interlock")
	require.Contains(t, r.Caution, "Stored air injures.")
}

// TestNothingKnown: of zero facts nothing is found in order but that the kernel gave no error.
func TestNothingKnown(t *testing.T) {
	r := New(&Facts{Now: morning, Buses: []Bus{{Name: "can0"}}})
	for _, c := range r.Checks {
		switch c.Name {
		case "kernel", "folder", "time-zone": // an error or a time that was given
		default:
			require.NotEqual(t, NothingFound, c.State, "%s: %s", c.Name, c.Says)
		}
	}
	require.Equal(t, "unknown", State(0).String())
	require.Equal(t, "unknown", State(99).String())
	require.Equal(t, Unknown, New(&Facts{Now: morning}).find(t, "signals").State)
}

func TestChecks(t *testing.T) {
	for _, c := range []struct {
		name, check string
		spoil       func(*Facts)
		state       State
		says, do    string
	}{
		{"no CAN sockets", "kernel", func(f *Facts) { f.Stack = &socketcan.LinkError{Err: socketcan.ErrNoStack} },
			NeedsDoing, "this kernel has no CAN sockets", "look here at what it sends through a pipe"},
		{"another system", "kernel", func(f *Facts) { f.Stack = &socketcan.LinkError{Err: socketcan.ErrNotLinux} },
			NeedsDoing, "live buses need Linux", "through a pipe"},
		{"a sandbox", "kernel", func(f *Facts) { f.Stack = &socketcan.LinkError{Err: socketcan.ErrNotPermitted} },
			NeedsDoing, "not permitted", "a container or a sandbox forbids it"},
		{"no bus named", "buses", func(f *Facts) { f.Buses = nil }, Unknown, "nobody listened", "name those of the job"},
		{"no bus named and none there", "buses", func(f *Facts) { f.Buses, f.Links = nil, nil }, NeedsDoing, "no CAN link", "plug the adapter in"},
		{"no bus named and links not known", "buses", func(f *Facts) { f.Buses, f.LinksErr = nil, errors.New("no netlink") }, Unknown, "not known: no netlink", ""},
		{"no such link", "link", func(f *Facts) {
			f.Buses[0] = Bus{Name: "can7", Err: &socketcan.LinkError{Link: "can7", Err: socketcan.ErrNoLink}}
		},
			NeedsDoing, "no such link on this machine; the CAN links here: can0", "plugged in"},
		{"down", "link", func(f *Facts) {
			f.Buses[0].Facts.Up = false
			f.Buses[0].Err = &socketcan.LinkError{Link: "can0", Err: socketcan.ErrDown}
		}, NeedsDoing, "an adapter, down", "ridewitness sets up no link, you do"},
		{"virtual", "link", func(f *Facts) { f.Buses[0].Facts.Kind = socketcan.KindVirtual }, NeedsDoing, "nothing on it comes from a vehicle", "for a job name the link of the adapter"},
		{"bit rate, FD and termination", "link", func(f *Facts) {
			b := &f.Buses[0].Facts
			b.MTU, b.DataBitRate, b.Ohms = 72, 2_000_000, 120
		}, NothingFound, "an adapter, up, classic and FD frames, 500 kbit/s and 2000 kbit/s for data, its own 120 ohm termination is switched on", ""},
		{"bit rate not known", "link", func(f *Facts) { f.Buses[0].Facts.BitRate = 0 }, Unknown, "bit rate not known, termination off or not told", "that of the vehicle's bus"},
		{"active", "silent", func(f *Facts) { f.Buses[0].Facts.Mode = socketcan.ModeActive }, NeedsDoing, "it is not listen-only", "make it listen-only"},
		{"active, and allowed", "silent", func(f *Facts) { f.Buses[0].Facts.Mode, f.NotSilent = socketcan.ModeActive, true }, NothingFound, "--not-silent allows that", ""},
		{"silence not told", "silent", func(f *Facts) { f.Buses[0].Facts.Mode = 0 }, NeedsDoing, "does not say whether", "make it listen-only"},
		{"silence not told, and allowed", "silent", func(f *Facts) { f.Buses[0].Facts.Mode, f.NotSilent = 0, true }, Unknown, "does not say whether", ""},
		{"error-passive", "controller", func(f *Facts) { f.Buses[0].Facts.State, f.Buses[0].Facts.RxErrors = socketcan.StateErrorPassive, 128 },
			NeedsDoing, "its state is error-passive; error counters: sending 0, receiving 128", "check the bit rate"},
		{"bus-off", "controller", func(f *Facts) { f.Buses[0].Facts.State = socketcan.StateBusOff }, NeedsDoing, "bus-off", "check the bit rate"},
		{"state not told", "controller", func(f *Facts) { f.Buses[0].Facts.State = 0 }, Unknown, "does not tell", ""},
		// 256 frames at 500 kbit/s of 47 bits each: 24 ms.
		{"the customary buffer", "buffer", func(f *Facts) { f.Buses[0].Buffer, f.Buses[0].Forced, f.Buses[0].Holds = 212_992, false, 256 },
			NeedsDoing, "208 KiB for waiting frames, cut to the system's limit: 24 ms of a full bus", "raise the system's limit"},
		{"silence on the bus", "traffic", func(f *Facts) { f.Heard.Buses[0] = HeardBus{Name: "can0"} }, NeedsDoing, "nothing was heard in 3 s", "ignition on?"},
		{"error frames", "traffic", func(f *Facts) { f.Heard.Buses[0].Errors = 7 }, NeedsDoing, "7 error frames besides", "check the bit rate"},
		{"lost frames", "traffic", func(f *Facts) { f.Heard.Buses[0].Lost = 9 }, NeedsDoing, "9 more were lost", "busy"},
		{"traffic", "traffic", func(*Facts) {}, NothingFound, "6000 frames in 3 s, 2000 a second", ""},
		{"not listened to", "traffic", func(f *Facts) { f.Heard = nil }, Unknown, "nobody listened", ""},
		{"listened for no time", "traffic", func(f *Facts) { f.Heard.Listened = 0 }, Unknown, "nobody listened", ""},
		{"no definitions", "signals", func(f *Facts) { f.Known.Signals = nil }, Unknown, "nothing can be warned of", "--signals"},
		{"a definition without a value", "no-values", func(f *Facts) { f.Heard.Tallies[1] = decode.Tally{} }, NeedsDoing, "nothing came of height", ""},
		{"another sender", "second-sender", func(f *Facts) { f.Heard.Others = []decode.Report{{Signal: 1, Values: 12}} }, NeedsDoing, "height: a second sender sent 12 values", ""},
		{"a bus that is not there", "undecodable", func(f *Facts) { f.Heard.Undecodable = []decode.Unserved{{Signal: 0, Why: "there is no bus"}} }, NeedsDoing, "pressure: there is no bus", ""},
		{"contradicted while listening", "contradicted", func(f *Facts) { f.Heard.Contradictions = []string{"pressure never moves"} }, NeedsDoing, "pressure never moves", "judges nothing"},
		{"no card", "job-card", func(f *Facts) { f.Known.Card = nil }, Unknown, "no job card", "--jobcard"},
		{"a corner without a definition", "definitions", func(f *Facts) { f.Known.Signals = f.Known.Signals[:1] }, NeedsDoing, "no definition for rear-left height", "cannot tell"},
		{"a card without the least pressure", "limit", func(f *Facts) { f.Known.Card.Springs[decode.RearLeft].LeastBar = jobcard.Number{} },
			NeedsDoing, "the card gives no least_pressure", "write it on the card"},
		{"a card without the greatest pressure", "limit", func(f *Facts) { f.Known.Card.Springs[decode.RearLeft].GreatestBar = jobcard.Number{} },
			NeedsDoing, "(over-pressure)", "write it on the card"},
		{"a clock that was never set", "clock", func(f *Facts) { f.Now = time.Unix(0, 0).UTC() }, NeedsDoing, "1970-01-01 00:00:00: the clock was never set", "before you record"},
		{"a clock that nobody keeps", "clock", func(f *Facts) { f.Clock.Synchronised = false }, NeedsDoing, "no time service keeps it right", "watch"},
		{"a clock of which nothing is known", "clock", func(f *Facts) { f.Clock = host.Clock{} }, Unknown, "not known", "watch"},
		{"the zone", "time-zone", func(*Facts) {}, NothingFound, "CET, +01:00; stamps are kept in UTC", ""},
		{"no folder", "folder", func(f *Facts) { f.Folder.WriteErr = fs.ErrNotExist }, NeedsDoing, "nothing can be written into jobs", "--output"},
		{"room not known", "disk", func(f *Facts) { f.Folder.Disk, f.Folder.DiskErr = host.Disk{}, host.ErrUnknown }, Unknown, "not known on this system", "2 GiB"},
		// 500 kbit/s / 47 bits x 60 bytes = 638 kB/s: 100 GiB last 46.7 h; 120 kB/s as heard: 248.6 h, 10 days.
		{"room", "disk", func(*Facts) {}, NothingFound, "100 GiB free: 46 h if every bus were full, 10 days at what was just heard", ""},
		{"little room", "disk", func(f *Facts) { f.Folder.Disk.Free = 2<<30 - 1 }, NeedsDoing, "1.9 GiB free", "make room"},
		// 2.2 GiB at 638 kB/s: 61.6 min; of two such buses 30 min.
		{"less than an hour", "disk", func(f *Facts) {
			f.Folder.Disk.Free = 2200 << 20
			second := f.Buses[0]
			second.Name = "can1"
			f.Buses = append(f.Buses, second)
		}, NeedsDoing, "2.1 GiB free: 30 min if every bus were full", "make room"},
		{"a full disk", "disk", func(f *Facts) { f.Folder.Disk.Free = 0 }, NeedsDoing, "0 bytes free", "make room"},
		{"battery not known", "battery", func(f *Facts) { f.Power = host.Power{Percent: 50} }, Unknown, "not known", "plug it in"},
		{"an empty battery", "battery", func(f *Facts) { f.Power = host.Power{Known: true, OnBattery: true, Percent: 29} }, NeedsDoing, "29 % left", "plug it in"},
		{"a battery", "battery", func(f *Facts) { f.Power = host.Power{Known: true, OnBattery: true, Percent: 30} }, NothingFound, "on battery, 30 % left", ""},
		{"an empty battery that is filled", "battery", func(f *Facts) { f.Power = host.Power{Known: true, Percent: 5} }, NothingFound, "not being emptied", ""},
		{"no bell", "sound", func(f *Facts) { f.Sound.Heard = false }, NeedsDoing, "not heard", "volume"},
		{"bell not tested", "sound", func(f *Facts) { f.Sound = Sound{Why: "no terminal"} }, Unknown, "not tested: no terminal", ""},
		{"a small window", "screen", func(f *Facts) { f.Screen.Width = 59 }, NeedsDoing, "59 columns, 24 rows", "60 columns and 20 rows"},
		{"a low window", "screen", func(f *Facts) { f.Screen.Height = 19 }, NeedsDoing, "80 columns, 19 rows", "larger"},
		{"no terminal", "screen", func(f *Facts) { f.Screen = Screen{} }, Unknown, "no terminal", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := good(t)
			c.spoil(f)
			r := New(f)
			got := r.find(t, c.check)
			require.Equal(t, c.state, got.State, got.Says)
			require.Contains(t, got.Says, c.says)
			require.Contains(t, got.Do, c.do)
			require.Equal(t, c.state == NeedsDoing, r.Outcome == NeedsDoing && r.Findings > 0)
			_, err := json.Marshal(r)
			require.NoError(t, err)
		})
	}
}

// A full bus carries its bit rate through the bits of the shortest frame. Of FD frames without data 29 bits
// run at the one rate and 33 at the other (ISO 11898-1, counted by hand).
func TestFullBus(t *testing.T) {
	for _, c := range []struct {
		name string
		f    socketcan.Facts
		want float64
	}{
		{"classic, 1 Mbit/s", socketcan.Facts{BitRate: 1_000_000, MTU: 16}, 21_276},
		{"classic, 500 kbit/s", socketcan.Facts{BitRate: 500_000, MTU: 16}, 10_638},
		{"not known", socketcan.Facts{MTU: 16}, 21_276},
		{"FD, 0.5 and 2 Mbit/s", socketcan.Facts{BitRate: 500_000, DataBitRate: 2_000_000, MTU: 72}, 13_422},
		{"FD, 1 and 5 Mbit/s", socketcan.Facts{BitRate: 1_000_000, DataBitRate: 5_000_000, MTU: 72}, 28_089},
	} {
		t.Run(c.name, func(t *testing.T) { require.InDelta(t, c.want, fullBus(&c.f), 1) })
	}
}

// The bytes of an enhanced packet block (IETF draft-ietf-opsawg-pcapng) around a record of link type 227:
// 52 and the payload, padded to four.
func TestSessionBytes(t *testing.T) {
	for length, want := range map[uint8]int{0: 52, 1: 56, 4: 56, 5: 60, 8: 60, 64: 116} {
		require.Equal(t, want, sessionBytes(&capture.Frame{Len: length}), "%d bytes", length)
	}
	require.Equal(t, 52, sessionBytes(&capture.Frame{Len: 8, Flags: capture.Remote}))
}

// The listener counts frames, error frames and losses by bus, and decodes.
func TestListener(t *testing.T) {
	k := Known{Signals: definitions(t)}
	l, err := NewListener(&k, []string{"can0", "can1"})
	require.NoError(t, err)
	at := capture.StampOf(morning)
	b := capture.Batch{Events: []capture.Event{
		{At: at, Kind: capture.EventBus, Name: "can0"}, {At: at, Kind: capture.EventBus, Bus: 1, Name: "can1"},
		{At: at, Kind: capture.EventLoss, Bus: 1, Index: 2, Count: 5}, {At: at, Kind: capture.EventLoss, Bus: 60, Index: 2, Count: 5},
	}, Frames: []capture.Frame{
		{At: at, ID: 0x100, Len: 2, Data: [capture.MaxData]byte{0x01, 0x2C}},
		{At: at, ID: 0x100, Len: 1},
		{At: at, ID: 4, Bus: 1, Len: 8, Flags: capture.Error},
		{At: at, ID: 4, Bus: 60, Len: 8},
	}}
	l.Take(&b)
	h := l.Heard(2 * time.Second)
	require.Equal(t, []HeardBus{{Name: "can0", Frames: 2, Bytes: 112}, {Name: "can1", Errors: 1, Lost: 5, Bytes: 60}}, h.Buses)
	require.Equal(t, uint64(1), h.Tallies[0].Valid)
	require.InDelta(t, 3, h.Tallies[0].Last.Value, 1e-9) // 0x012C = 300 hundredths of a bar
	require.Equal(t, uint64(1), h.Tallies[0].Missing)
	require.InDelta(t, 86, h.bytesPerSecond(), 1e-9)
	require.Nil(t, h.of("can2"))
}

// Definitions that the listener can't use are told, not listened with.
func TestListenerRefuses(t *testing.T) {
	_, err := NewListener(&Known{Signals: make([]decode.Signal, 1)}, []string{"can0"})
	require.Error(t, err)
}

// Whatever names a link, a card or a file holds, a line keeps its width and holds nothing that moves a
// cursor; commands alone are not broken.
func TestTextIsTame(t *testing.T) {
	f := good(t)
	f.Buses[0].Name = "c\x1b[2Jn" + strings.Repeat("漢", 60)
	f.Buses[0].Facts.Name, f.Buses[0].Facts.Up = f.Buses[0].Name, false
	f.Buses[0].Facts.Kind = "x\u202ey"
	f.Known.Card.Label = strings.Repeat("wagon\a ", 40)
	f.Folder.Path = strings.Repeat("z", 300) + "\n\x9b"
	control := regexp.MustCompile(`[\x00-\x09\x0b-\x1f\x7f\x{80}-\x{9f}\x{202a}-\x{202e}]`)
	for _, columns := range []int{0, 40, 80, 200} {
		text := New(f).Text(columns)
		require.NotRegexp(t, control, text)
		for line := range strings.SplitSeq(text, "\n") {
			if !strings.Contains(line, "ip link set") {
				require.LessOrEqual(t, len([]rune(line)), max(columns, 40), line)
			}
		}
	}
}

// TestPage shows the page as people read it: an adapter that acknowledges, and a battery of which nothing
// is known. The file is read line by line when it changes.
func TestPage(t *testing.T) {
	f := good(t)
	f.Buses[0].Facts.Mode = socketcan.ModeActive
	f.Buses[0].Err = &socketcan.LinkError{Link: "can0", Err: socketcan.ErrNotSilent}
	f.Heard = nil
	f.Power = host.Power{}
	want, err := os.ReadFile("testdata/page.txt")
	require.NoError(t, err)
	require.Equal(t, string(want), New(f).Text(80))
}
