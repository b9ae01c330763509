package live

import (
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/host"
	"ridewitness/capture/recorder"
	"ridewitness/capture/session"
	"ridewitness/decode"
	"ridewitness/replay/scenario/scenariotest"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
)

// In the job `early` of these tests both rear springs are bled by 00:03:46, their lines are open from
// 00:04:16 on, and the rear-right spring comes down with too little air at about 00:13:12.
const (
	afterBleed = 4 * time.Minute
	untilDown  = 13 * time.Minute
)

// TestKeys: what each key puts on record, and when it says that it was.
func TestKeys(t *testing.T) {
	wait := func(d time.Duration) func(*table) { return func(b *table) { b.pass(d) } }
	press := func(keys string) func(*table) { return func(b *table) { b.keys(keys) } }
	for name, c := range map[string]struct {
		do   []func(*table)
		want []string // time after the start of the test, name, corner, value, note
	}{
		"without a corner":      {[]func(*table){wait(time.Second), press("1")}, []string{"1s|lift-up|||"}},
		"all of those":          {[]func(*table){press("12789")}, []string{"0s|lift-up|||", "0s|wheels-off|||", "0s|wheels-on|||", "0s|first-contact|||", "0s|lowered|||"}},
		"jack, either case":     {[]func(*table){press("jJ")}, []string{"0s|jack|||", "0s|jack|||"}},
		"with a corner":         {[]func(*table){press("4"), wait(2 * time.Second), press("d")}, []string{"0s|line-open|rear-left||"}},
		"the four corners":      {[]func(*table){press("3e3r3d3F")}, []string{"0s|bled|front-left||", "0s|bled|front-right||", "0s|bled|rear-left||", "0s|bled|rear-right||"}},
		"ESC leaves it open":    {[]func(*table){press("5\x1b")}, []string{"0s|line-closed|||"}},
		"nobody answers":        {[]func(*table){press("4"), wait(7 * time.Second)}, []string{"0s|line-open||" + "|nobody said at which corner"}},
		"too much to claim":     {[]func(*table){press("6"), wait(7 * time.Second)}, []string{"0s|note||" + "|filled; nobody said at which corner"}},
		"another digit first":   {[]func(*table){press("4"), wait(time.Second), press("3f")}, []string{"0s|line-open||" + "|nobody said at which corner", "1s|bled|rear-right||"}},
		"another key between":   {[]func(*table){press("0"), wait(time.Second), press("p"), press("r")}, []string{"0s|bolts-tightened|front-right||"}},
		"a corner and no digit": {[]func(*table){press("erdf\x1bxy")}, nil},
		"a moment":              {[]func(*table){wait(time.Second), press(" ")}, []string{"1s|note|||now"}},
		"a moment named later":  {[]func(*table){press(" "), wait(20 * time.Second), press("8")}, []string{"0s|note|||now", "0s|first-contact|||noted as J1"}},
		"named with its corner": {[]func(*table){press(" "), wait(20 * time.Second), press("4"), wait(time.Second), press("e")}, []string{"0s|note|||now", "0s|line-open|front-left||"}},
		"named too late":        {[]func(*table){press(" "), wait(61 * time.Second), press("8")}, []string{"0s|note|||now", "1m1s|first-contact|||"}},
		"named once":            {[]func(*table){press(" 8"), wait(time.Second), press("9")}, []string{"0s|note|||now", "0s|first-contact|||noted as J1", "1s|lowered|||"}},
		"taken back":            {[]func(*table){press("19"), wait(time.Second), press("uu")}, []string{"0s|lift-up|||", "0s|lowered|||", "1s|take-back||J2|", "1s|take-back||J1|"}},
		"taken back before":     {[]func(*table){press("4u"), wait(10 * time.Second)}, nil},
		"nothing to take back":  {[]func(*table){press("u")}, nil},
		"going down":            {[]func(*table){press("g")}, []string{"0s|going-down|||"}},
		"not on a key":          {[]func(*table){press("xzwk\x00\xff;")}, nil},
		"of a file before": {[]func(*table){press("1"), func(b *table) {
			b.keep.set(func(s *recorder.Status) { s.File = "two.pcapng" })
			b.pass(time.Second)
			b.keys("u")
		}}, []string{"0s|lift-up|||"}},
	} {
		t.Run(name, func(t *testing.T) {
			sit(t, simulated(t, "early"), afterBleed, nil, func(b *table) {
				b.keep.records = nil
				for _, do := range c.do {
					do(b)
				}
				require.Equal(b.t, c.want, b.keep.marks(b.t, b.start))
			})
		})
	}
}

// TestAKeyIsAnswered: each key that does something says so within one picture.
func TestAKeyIsAnswered(t *testing.T) {
	for key, want := range map[string]string{
		" ": "noted as J", "1": "lift up", "4": "which corner?", "4d": "line open rear-left. U takes it back", "j": "jack", "g": "Do not lower: ",
		"s": "silenced for 60 s", "u": "no mark to take back", "1u": "is taken back; it stays on record", "a": "no warning", "t": "A bell just rang",
		"q": "Ctrl-C twice", "\x03": "Ctrl-C once more within 5 s", "\x1a": "Ctrl-Z does nothing here",
	} {
		t.Run(key, func(t *testing.T) {
			sit(t, simulated(t, "early"), afterBleed, nil, func(b *table) {
				b.keys(key)
				s := b.State()
				require.Contains(b.t, s.Notice, want)
				b.pass(noticeFor + time.Second)
				s = b.State()
				if key != "t" { // that one waits for its answer
					require.NotContains(b.t, s.Notice, want, "it goes again")
				}
			})
		})
	}
}

// TestPanes: each key shows its pane and takes it away again; marks go on meanwhile.
func TestPanes(t *testing.T) {
	sit(t, simulated(t, "early"), afterBleed, nil, func(b *table) {
		for _, step := range []struct {
			key  string
			want terminal.Pane
		}{{"p", terminal.FrontPlots}, {"P", terminal.RearPlots}, {"p", terminal.CornerPane}, {"l", terminal.ListPane}, {"?", terminal.HelpPane},
			{"p", terminal.FrontPlots}, {"l", terminal.ListPane}, {"l", terminal.CornerPane}, {"?", terminal.HelpPane}, {"?", terminal.CornerPane}} {
			b.keys(step.key)
			s := b.State()
			require.Equal(b.t, step.want, s.Pane, "after %s", step.key)
		}
		b.keys("pg")
		s := b.State()
		require.Equal(b.t, terminal.FrontPlots, s.Pane)
		require.Contains(b.t, s.Notice, "Do not lower: ")
	})
}

// HAZARDS H05: the key answers at once, by sound too, while anything stands against lowering.
func TestHazard05GoingDownAnswers(t *testing.T) {
	t.Run("empty springs", func(t *testing.T) {
		sit(t, simulated(t, "early"), afterBleed, nil, func(b *table) {
			b.ear.heard()
			b.keys("g")
			s := b.State()
			require.Equal(b.t, 1, b.ear.heard())
			require.True(b.t, s.Loud)
			require.Contains(b.t, s.Notice, "rear-left")
			require.Contains(b.t, s.Notice, "rear-right")
		})
	})
	t.Run("blind", func(t *testing.T) {
		j := simulated(t, "proper")
		whole := j.Whole.Frames[len(j.Whole.Frames)-1].At.Sub(j.start())
		sit(t, j, whole, nil, func(b *table) {
			b.pass(time.Minute)
			b.ear.heard()
			b.keys("g")
			s := b.State()
			require.Equal(b.t, 1, b.ear.heard())
			require.True(b.t, s.Loud)
			require.NotContains(b.t, s.Notice, "Watching")
		})
	})
	t.Run("nothing known against it", func(t *testing.T) {
		j := simulated(t, "proper")
		whole := j.Whole.Frames[len(j.Whole.Frames)-1].At.Sub(j.start())
		sit(t, j, whole, nil, func(b *table) {
			b.ear.heard()
			b.keys("g")
			s := b.State()
			require.Zero(b.t, b.ear.heard())
			require.False(b.t, s.Loud)
			require.Regexp(b.t, `^Marked going down \d\d:\d\d:\d\d\. Watching\.$`, s.Notice)
		})
	})
}

// HAZARDS H02, H05: what comes down on an empty spring is told at once, by whoever is there to see it, and
// is on record with how old the data was, how long it took, and what was left.
func TestHazard05WarningIsOnRecord(t *testing.T) {
	for name, taken := range map[string]bool{"a screen that takes it": true, "a screen that takes nothing": false} {
		t.Run(name, func(t *testing.T) {
			j := simulated(t, "early")
			sit(t, j, untilDown, nil, func(b *table) {
				at := untilDown
				for ; len(b.ear.warned()) == 0 && at < untilDown+time.Minute; at += time.Second {
					b.live(j, at, at+time.Second)
				}
				require.NotEmpty(b.t, b.ear.warned(), "no alarm")
				if taken {
					shown := b.ear.warned()[0]
					b.told(&shown)
				} else {
					b.live(j, at, at+2*time.Second)
				}
				all := b.keep.of(session.KindWarning)
				require.NotEmpty(b.t, all)
				w := first[session.WarningRecord](b.t, all)
				require.Equal(b.t, "lowered-without-pressure", w.Rule)
				require.Equal(b.t, "rear-right", w.Corner)
				require.Equal(b.t, taken, w.ToldMS != nil)
				require.NotNil(b.t, w.DataAgeS)
				require.Less(b.t, *w.DataAgeS, 1.0)
				require.NotNil(b.t, w.ClosedMM)
				require.InDelta(b.t, 5, *w.ClosedMM, 4, "4 mm, and what a period of the height adds")
				require.NotNil(b.t, w.LeftMM)
				require.Greater(b.t, *w.LeftMM, 50.0)
			})
		})
	}
}

// TestToldIsFromTheFrame: what is judged late is told late, on record too, whatever pictures were drawn
// between the frame and its judge.
func TestToldIsFromTheFrame(t *testing.T) {
	j := simulated(t, "early")
	sit(t, j, untilDown, nil, func(b *table) {
		const late = 700 * time.Millisecond
		b.pass(late)
		const step = 100 * time.Millisecond
		for at := untilDown; len(b.ear.warned()) == 0 && at < untilDown+time.Minute; at += step {
			b.pass(step)
			_ = b.State()
			b.give(j.between(at, at+step))
		}
		require.NotEmpty(b.t, b.ear.warned(), "no alarm")
		shown := b.ear.warned()[0]
		b.pass(40 * time.Millisecond) // the terminal takes it
		b.told(&shown)
		w := first[session.WarningRecord](b.t, b.keep.of(session.KindWarning))
		require.NotNil(b.t, w.ToldMS)
		require.GreaterOrEqual(b.t, *w.ToldMS, 740.0)
		require.LessOrEqual(b.t, *w.ToldMS, 840.0, "frames come up to a step after their stamps")
	})
}

// HAZARDS H10: a danger sounds every 5 s while it lasts; silence lasts 60 s and ends with a new danger.
func TestHazard10Silence(t *testing.T) {
	j := simulated(t, "early")
	sit(t, j, 70*time.Second, nil, func(b *table) {
		b.ear.heard()
		b.live(j, 70*time.Second, 75*time.Second)
		require.Zero(b.t, b.ear.heard(), "nothing is wrong yet")
		mark := func(corner string) {
			b.give(&capture.Slice{Events: []capture.Event{{At: b.o.Now(), Kind: capture.EventJournal, Name: session.KindMark, Record: 900,
				Body: []byte(`{"kind":"mark","name":"line-open","corner":"` + corner + `"}`)}}})
		}
		mark("rear-left") // with pressure behind it
		b.live(j, 75*time.Second, 86*time.Second)
		require.Len(b.t, b.ear.warned(), 1)
		require.Equal(b.t, 2, b.ear.heard(), "5 s and 10 s after the alarm")
		b.keys("s")
		s := b.State()
		require.Equal(b.t, b.o.Now().Add(60*time.Second), s.Recording.SilencedUntil)
		b.live(j, 86*time.Second, 96*time.Second)
		require.Zero(b.t, b.ear.heard())
		require.Equal(b.t, 60.0, body[session.AcknowledgeRecord](b.t, b.keep, session.KindAcknowledge).Silenced)
		mark("rear-right")
		require.Len(b.t, b.ear.warned(), 2)
		s = b.State()
		require.Zero(b.t, s.Recording.SilencedUntil)
	})
}

// HAZARDS H10: silence is over after 60 s.
func TestHazard10SilenceEnds(t *testing.T) {
	sit(t, simulated(t, "early"), afterBleed, nil, func(b *table) {
		b.keep.set(func(s *recorder.Status) { s.Trouble = errors.New("the disk is full") })
		b.pass(time.Second)
		b.keys("s")
		b.ear.heard()
		b.pass(59 * time.Second)
		require.Zero(b.t, b.ear.heard())
		b.pass(7 * time.Second)
		require.NotZero(b.t, b.ear.heard())
	})
}

// HAZARDS H10: the sound is tested, and the answer is on record; what was not tested is shown all the time.
func TestHazard10SoundTest(t *testing.T) {
	for name, c := range map[string]struct {
		key   string
		shown string
		heard bool
	}{
		"heard":     {"y", "sound heard 00:04:00", true},
		"not heard": {"n", "sound not heard", false},
	} {
		t.Run(name, func(t *testing.T) {
			typed := func(o *Options) { o.Terminal.Typed = true }
			sit(t, simulated(t, "early"), afterBleed, typed, func(b *table) {
				require.Equal(b.t, 1, b.ear.heard(), "at the start")
				s := b.State()
				require.Equal(b.t, "SOUND NOT TESTED", s.Recording.Sound)
				require.Equal(b.t, soundQuestion, s.Notice)
				b.keys(c.key)
				s = b.State()
				require.Equal(b.t, c.shown, s.Recording.Sound)
				require.Equal(b.t, c.heard, body[session.SoundRecord](b.t, b.keep, session.KindSound).Heard)
				b.keys(c.key) // nothing is asked any more
				require.Len(b.t, b.keep.of(session.KindSound), 1)
				b.keys("t")
				require.Equal(b.t, 1, b.ear.heard())
			})
		})
	}
	sit(t, simulated(t, "early"), afterBleed, nil, func(b *table) {
		require.Zero(b.t, b.ear.heard(), "nobody can answer")
		s := b.State()
		require.Equal(b.t, "SOUND NOT TESTED", s.Recording.Sound)
	})
}

// TestAcknowledge puts on record that warnings were seen, each once, and silences nothing.
func TestAcknowledge(t *testing.T) {
	j := simulated(t, "early")
	sit(t, j, untilDown+time.Minute, nil, func(b *table) {
		b.keys("a")
		all := b.keep.of(session.KindAcknowledge)
		require.NotEmpty(b.t, all)
		a := first[session.AcknowledgeRecord](b.t, all)
		require.Equal(b.t, "lowered-without-pressure", a.Rule)
		require.Equal(b.t, "rear-right", a.Corner)
		require.NotEmpty(b.t, a.Since)
		require.Zero(b.t, a.Silenced)
		b.keys("a")
		require.Len(b.t, b.keep.of(session.KindAcknowledge), len(all))
		s := b.State()
		require.Equal(b.t, b.o.Now(), s.Dangers[0].Acknowledged)
		require.Zero(b.t, s.Recording.SilencedUntil)
	})
}

// TestTheEndIsAskedFor: one Ctrl-C asks, a second within 5 s ends.
func TestTheEndIsAskedFor(t *testing.T) {
	sit(t, simulated(t, "early"), afterBleed, nil, func(b *table) {
		b.keys("\x03")
		b.pass(6 * time.Second)
		b.keys("\x03")
		require.Zero(b.t, b.ended)
		b.pass(time.Second)
		b.Interrupt()
		require.Equal(b.t, 1, b.ended)
	})
}

// TestWatching: who only watches marks nothing, and goes at once.
func TestWatching(t *testing.T) {
	watching := func(o *Options) { o.Keep = nil }
	sit(t, simulated(t, "early"), afterBleed, watching, func(b *table) {
		b.keys(" 14gjsuat")
		s := b.State()
		require.Contains(b.t, s.Notice, "this screen only watches")
		require.Nil(b.t, s.Recording)
		b.keys("q")
		require.Equal(b.t, 1, b.ended)
		b.keys("\x03")
		require.Equal(b.t, 2, b.ended)
	})
}

// TestTroubleIsLoud: while nothing is written the screen says so, and it sounds.
func TestTroubleIsLoud(t *testing.T) {
	for name, c := range map[string]struct {
		status func(*recorder.Status)
		want   string
	}{
		"a file failed":            {func(s *recorder.Status) { s.Trouble = errors.New("one.pcapng: no space left on device") }, "one.pcapng: no space left on device"},
		"the disk does not answer": {func(s *recorder.Status) { s.Written = time.Now().Add(-3 * time.Second) }, "the disk takes nothing"},
	} {
		t.Run(name, func(t *testing.T) {
			sit(t, simulated(t, "early"), afterBleed, nil, func(b *table) {
				b.pass(time.Second)
				s := b.State()
				require.Empty(b.t, s.Recording.Trouble)
				b.ear.heard()
				b.keep.set(c.status)
				b.pass(200 * time.Millisecond)
				s = b.State()
				require.Equal(b.t, c.want, s.Recording.Trouble)
				require.Equal(b.t, 1, b.ear.heard())
				b.pass(11 * time.Second)
				require.Equal(b.t, 2, b.ear.heard())
				b.keep.set(func(s *recorder.Status) { s.Trouble, s.Written = nil, time.Time{} })
				b.pass(11 * time.Second)
				s = b.State()
				require.Empty(b.t, s.Recording.Trouble)
				require.Zero(b.t, b.ear.heard())
			})
		})
	}
}

// TestARecordThatIsNotKeptIsTold: the answer to the key is why.
func TestARecordThatIsNotKeptIsTold(t *testing.T) {
	sit(t, simulated(t, "early"), afterBleed, nil, func(b *table) {
		b.keep.err = recorder.ErrNotKept
		b.keys("1")
		s := b.State()
		require.Equal(b.t, recorder.ErrNotKept.Error(), s.Notice)
		require.True(b.t, s.Loud)
	})
}

// TestMachine: a disk that fills and a battery that empties are told, and are on record, once.
func TestMachine(t *testing.T) {
	var mu sync.Mutex
	disk, power, diskErr := host.Disk{Free: 900e6}, host.Power{Known: true, OnBattery: true, Percent: 19}, error(nil)
	set := func(change func()) { mu.Lock(); defer mu.Unlock(); change() }
	machine := func(o *Options) {
		o.Machine = Machine{
			Disk:  func() (host.Disk, error) { mu.Lock(); defer mu.Unlock(); return disk, diskErr },
			Power: func() (host.Power, error) { mu.Lock(); defer mu.Unlock(); return power, nil },
		}
	}
	sit(t, simulated(t, "early"), afterBleed, machine, func(b *table) {
		b.pass(time.Minute)
		require.EqualValues(b.t, 900e6, body[session.DiskRecord](b.t, b.keep, session.KindDisk).Free)
		require.Equal(b.t, 19, body[session.PowerRecord](b.t, b.keep, session.KindPower).Percent)
		set(func() { power.Percent = 13 })
		b.pass(time.Minute)
		require.Len(b.t, b.keep.of(session.KindPower), 2)
		set(func() { disk.Free, power = 5e9, host.Power{} })
		b.pass(time.Minute)
		set(func() { disk, diskErr = host.Disk{}, host.ErrUnknown })
		b.pass(time.Minute)
		require.Len(b.t, b.keep.of(session.KindDisk), 1, "what is not known is not low")
		require.Len(b.t, b.keep.of(session.KindPower), 2)
	})
}

// HAZARDS H07: what is not seen is on record, once it has lasted.
func TestHazard07BlindnessIsOnRecord(t *testing.T) {
	j := simulated(t, "early")
	sit(t, j, 30*time.Second, nil, func(b *table) {
		b.live(j, 30*time.Second, 33*time.Second)
		b.pass(20 * time.Second)
		var states []string
		for _, e := range b.keep.of(session.KindBlind) {
			r := first[session.BlindRecord](b.t, []entry{e})
			states = append(states, strings.TrimSpace(r.State+" "+r.Why[:min(len(r.Why), 8)]))
		}
		require.Equal(b.t, []string{"WATCHING", "PART BLIND 8 of 8 s", "BLIND no frame"}, states)
	})
}

// TestLateViewIsBlind: frames that are judged long after they came are no news.
func TestLateViewIsBlind(t *testing.T) {
	j := simulated(t, "early")
	sit(t, j, 30*time.Second, nil, func(b *table) {
		b.pass(3 * time.Second)
		b.give(j.between(30*time.Second, 31*time.Second))
		s := b.State()
		require.Equal(b.t, terminal.Blind, s.Sight)
		require.Regexp(b.t, `^view 2\.\d s behind$`, s.Why)
		b.pass(2 * caughtUp)
		s = b.State()
		require.NotEqual(b.t, terminal.Watching, s.Sight, "what came is old all the same")
		require.NotContains(b.t, s.Why, "behind", "and no longer since the view is late")
		b.give(j.between(31*time.Second, 33*time.Second))
		s = b.State()
		require.Equal(b.t, terminal.Watching, s.Sight)
	})
	elsewhere := func(o *Options) { o.Elsewhere = true }
	sit(t, j, 30*time.Second, elsewhere, func(b *table) {
		b.pass(3 * time.Second)
		b.give(j.between(30*time.Second, 31*time.Second))
		s := b.State()
		require.NotContains(b.t, s.Why, "behind", "clocks of two computers can't be compared")
	})
}

// TestWatchedFile: between two files the screen of whoever follows is blind at once, with the cause, and it
// says in which file it watches.
func TestWatchedFile(t *testing.T) {
	var mu sync.Mutex
	file, why := "a/job.pcapng", ""
	set := func(f, w string) { mu.Lock(); defer mu.Unlock(); file, why = f, w }
	j := simulated(t, "early")
	sit(t, j, 30*time.Second, func(o *Options) {
		o.Keep, o.Elsewhere = nil, true
		o.Watched = func() (string, string) { mu.Lock(); defer mu.Unlock(); return file, why }
	}, func(b *table) {
		b.live(j, 30*time.Second, 31*time.Second)
		s := b.State()
		require.Equal(b.t, terminal.Watching, s.Sight)
		require.Equal(b.t, "job.pcapng", s.Watched)
		require.Empty(b.t, s.Notice)
		set("a/job.pcapng", "nobody writes")
		s = b.State()
		require.Equal(b.t, terminal.Blind, s.Sight)
		require.Equal(b.t, "nobody writes", s.Why)
		set("a/job-2.pcapng", "")
		b.live(j, 31*time.Second, 32*time.Second)
		s = b.State()
		require.Equal(b.t, terminal.Watching, s.Sight)
		require.Equal(b.t, "job-2.pcapng", s.Watched)
		require.Contains(b.t, s.Notice, "goes on in a/job-2.pcapng")
	})
}

// HAZARDS H08: whoever goes on with a recording still knows which springs are empty, and warns.
func TestHazard08GoingOnForgetsNothing(t *testing.T) {
	j := simulated(t, "early")
	sit(t, j, afterBleed, nil, func(b *table) {
		b.pass(time.Minute) // nothing was recorded meanwhile
		s := b.State()
		require.Contains(b.t, s.StandingLine(), "rear-left")
		require.Contains(b.t, s.StandingLine(), "rear-right")
		require.Empty(b.t, b.ear.warned())
		b.give(&capture.Slice{Frames: j.between(untilDown, untilDown+time.Second).Frames})
		s = b.State()
		require.Regexp(b.t, `rear-right 0\.\d\d bar, least 1\.00; bled 00:03:\d\d, no filling seen since`, s.StandingLine(),
			"no frame after the bleed says that there was one")
		b.give(j.between(untilDown+time.Second, untilDown+30*time.Second))
		require.NotEmpty(b.t, b.ear.warned())
	})
}

// HAZARDS H16: a desk says of the whole job what a judge says who hears it in one piece.
func TestHazard16DeskJudgesAsTheReviewDoes(t *testing.T) {
	for _, name := range []string{"early", "proper"} {
		t.Run(name, func(t *testing.T) {
			j := simulated(t, name)
			alone, err := safety.NewPipeline(j.Signals, j.Card, nil)
			require.NoError(t, err)
			whole := j.until(time.Hour)
			batch := capture.NewBatch()
			for whole.Next(t.Context(), batch) == nil {
				alone.Take(batch)
			}
			alone.Finish()
			var pipe *safety.Pipeline
			synctest.Test(t, func(t *testing.T) {
				pipe, err = safety.NewPipeline(j.Signals, j.Card, nil)
				require.NoError(t, err)
				ear := &earpiece{}
				stream := NewStream(j.until(time.Hour), j.start())
				d := New(Options{Pipeline: pipe, Now: stream.Now, Keep: &ledger{}, Elsewhere: true})
				d.display = ear
				require.NoError(t, d.Run(t.Context(), stream))
			})
			require.Equal(t, told(alone), told(pipe))
		})
	}
}

// told is what a judge found, in words.
func told(p *safety.Pipeline) []string {
	var all []string
	for _, f := range p.Judge.Findings() {
		all = append(all, strings.Join([]string{f.Rule.Name, f.Corner.String(), f.Outcome.String(), f.Start.String(), f.End.String(), f.Summary}, "|"))
	}
	return all
}

// HAZARDS H03: with the heights of two corners mixed up, or their pressures, whatever comes down while a
// spring is empty warns. A bleed by request shows that pressures are; then neither corner counts as proven.
func TestHazard03MixedUpWarns(t *testing.T) {
	whole := simulated(t, "early")
	for _, what := range []decode.Quantity{decode.Height, decode.Pressure} {
		t.Run(what.String(), func(t *testing.T) {
			mixed := &job{&scenariotest.Job{Whole: whole.Whole, Signals: slices.Clone(whole.Signals), Card: whole.Card}}
			for i := range mixed.Signals {
				s := &mixed.Signals[i]
				switch {
				case s.Quantity != what:
				case s.Corner == decode.RearLeft:
					s.Corner = decode.RearRight
				case s.Corner == decode.RearRight:
					s.Corner = decode.RearLeft
				}
			}
			sit(t, mixed, untilDown, nil, func(b *table) {
				var against []decode.Corner
				for _, l := range b.State().Standing {
					against = append(against, l.Corner)
				}
				if what == decode.Pressure {
					require.ElementsMatch(b.t, []decode.Corner{decode.RearLeft, decode.RearRight}, against)
					require.NotEmpty(b.t, b.o.Pipeline.Judge.Contradictions())
				}
				b.live(mixed, untilDown, untilDown+30*time.Second)
				require.NotEmpty(b.t, b.ear.warned())
			})
		})
	}
}
