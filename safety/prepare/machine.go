package prepare

import (
	"fmt"
	"math"
	"time"

	"ridewitness/capture/host"
)

// Folder is where the session would be written.
type Folder struct {
	Path     string
	Disk     host.Disk
	DiskErr  error // why its room is not known
	WriteErr error // why nothing can be written into it; nil: a file was made and taken away
}

// Sound says whether somebody heard the bell. The zero value is that it was not tested.
type Sound struct {
	Tested bool
	Heard  bool
	Why    string // why it was not tested
}

// Screen is the terminal that shows the job. The zero value is none.
type Screen struct {
	Terminal      bool
	Width, Height int // columns and rows
}

// DiskFacts are the numbers of the disk in the JSON form. null is not known.
type DiskFacts struct {
	Folder     string   `json:"folder"`
	Free       *uint64  `json:"free_bytes"`
	WorstHours *float64 `json:"hours_at_worst"` // every bus full of the shortest frames
	HeardHours *float64 `json:"hours_as_heard"` // at the rate that was just heard
}

// What is demanded of the machine. Our own choice, no source: a job of forty minutes on two usual buses
// takes 0.7 GB.
const (
	leastFree    = 2 << 30
	leastHours   = 1.0
	leastPercent = 30
	firstYear    = 2024 // before it this program did not exist: the clock was never set
	leastWidth   = 60   // from which on the corners are shown as a table
	leastHeight  = 20
	frameBytes   = 60 // of a classic frame of eight bytes in a session, see sessionBytes
)

// clock looks at the time that the stamps will carry.
func (r *Report) clock(f *Facts) {
	zone, _ := f.Now.Zone()
	c := Check{Name: "clock", State: NothingFound, Says: f.Now.Format("2006-01-02 15:04:05 -07:00") + ", and a time service keeps it right"}
	switch {
	case f.Now.Year() < firstYear:
		c.State, c.Says = NeedsDoing, f.Now.Format("2006-01-02 15:04:05")+": the clock was never set, and every stamp of a recording would be wrong"
		c.Do, c.Commands = "set it before you record anything:", []string{"timedatectl set-ntp true"}
	case !f.Clock.Known:
		c.State, c.Says = Unknown, f.Now.Format("2006-01-02 15:04:05 -07:00")+"; whether a time service keeps it right is not known"
		c.Do = "compare it with a watch"
	case !f.Clock.Synchronised:
		c.State, c.Says = NeedsDoing, f.Now.Format("2006-01-02 15:04:05 -07:00")+"; no time service keeps it right"
		c.Do, c.Commands = "compare it with a watch, or let a network set it:", []string{"timedatectl set-ntp true"}
	}
	r.add(c)
	r.add(Check{Name: "time-zone", State: NothingFound, Says: zone + ", " + f.Now.Format("-07:00") + "; stamps are kept in UTC"})
}

// disk looks at the folder and how long its room lasts.
func (r *Report) disk(f *Facts) {
	folder := &f.Folder
	r.Disk = DiskFacts{Folder: folder.Path, Free: known(folder.Disk.Free)}
	if folder.WriteErr != nil {
		r.add(Check{Name: "folder", State: NeedsDoing, Says: "nothing can be written into " + folder.Path + ": " + folder.WriteErr.Error(),
			Do: "make the folder, or name another one with --output"})
	} else {
		r.add(Check{Name: "folder", State: NothingFound, Says: "a file was made in " + folder.Path + " and taken away again"})
	}
	if folder.DiskErr != nil || folder.Disk == (host.Disk{}) {
		c := Check{Name: "disk", State: Unknown, Says: "its free room is not known", Do: "see that 2 GiB are free"}
		if folder.DiskErr != nil {
			c.Says += ": " + folder.DiskErr.Error()
		}
		r.add(c)
		return
	}
	r.room(f)
}

// room says how long the free bytes last.
func (r *Report) room(f *Facts) {
	free := f.Folder.Disk.Free
	c := Check{Name: "disk", State: NothingFound, Says: bytesWords(free) + " free"}
	worst := 0.0
	for i := range f.Buses {
		if f.Buses[i].Facts.CAN {
			worst += fullBus(&f.Buses[i].Facts) * frameBytes
		}
	}
	if worst > 0 {
		hours := float64(free) / worst / 3600
		r.Disk.WorstHours = &hours
		c.Says += fmt.Sprintf(": %s if every bus were full", hoursWords(hours))
		if hours < leastHours {
			c.State = NeedsDoing
		}
	}
	if heard := f.Heard.bytesPerSecond(); heard > 0 {
		hours := float64(free) / heard / 3600
		r.Disk.HeardHours = &hours
		c.Says += fmt.Sprintf(", %s at what was just heard", hoursWords(hours))
		if hours < leastHours {
			c.State = NeedsDoing
		}
	}
	if free < leastFree {
		c.State = NeedsDoing
	}
	if c.State == NeedsDoing {
		c.Do = "make room, or name a folder on another disk with --output: 2 GiB and an hour are the least"
	}
	r.add(c)
}

// bytesPerSecond is what a session grows by, 0 where nothing was heard.
func (h *Heard) bytesPerSecond() float64 {
	if !h.listened() {
		return 0
	}
	sum := uint64(0)
	for i := range h.Buses {
		sum += h.Buses[i].Bytes
	}
	return float64(sum) / h.Listened.Seconds()
}

// power looks at the battery.
func (r *Report) power(f *Facts) {
	c := Check{Name: "battery", State: NothingFound, Says: "it is not being emptied"}
	switch {
	case !f.Power.Known:
		c.State, c.Says, c.Do = Unknown, "whether the laptop lives on its battery is not known", "plug it in"
	case f.Power.OnBattery && f.Power.Percent < leastPercent:
		c.State, c.Says, c.Do = NeedsDoing, fmt.Sprintf("on battery, %d %% left", f.Power.Percent), "plug it in: a job takes longer"
	case f.Power.OnBattery:
		c.Says = fmt.Sprintf("on battery, %d %% left", f.Power.Percent)
	}
	r.add(c)
}

// sound says whether a warning would be heard.
func (r *Report) sound(f *Facts) {
	c := Check{Name: "sound", State: NothingFound, Says: "the bell was heard"}
	switch {
	case !f.Sound.Tested:
		c.State, c.Says, c.Do = Unknown, "not tested: "+f.Sound.Why, "run this on the terminal of the job: a warning rings its bell"
	case !f.Sound.Heard:
		c.State, c.Says, c.Do = NeedsDoing, "the bell was not heard, so no warning would be", "turn the volume up and switch the terminal's bell on; in a loud hall use headphones or watch the screen"
	}
	r.add(c)
}

// screen says whether the four corners fit.
func (r *Report) screen(f *Facts) {
	c := Check{Name: "screen", State: NothingFound, Says: fmt.Sprintf("%d columns, %d rows", f.Screen.Width, f.Screen.Height)}
	switch {
	case !f.Screen.Terminal:
		c.State, c.Says = Unknown, "no terminal: nothing is known of the one that will show the job"
	case f.Screen.Width < leastWidth || f.Screen.Height < leastHeight:
		c.State = NeedsDoing
		c.Do = fmt.Sprintf("make the window larger or the letters smaller: the four corners need %d columns and %d rows", leastWidth, leastHeight)
	}
	r.add(c)
}

// bytesWords writes a number of bytes in the unit that fits.
func bytesWords(n uint64) string {
	for _, unit := range []struct {
		size uint64
		name string
	}{{1 << 30, "GiB"}, {1 << 20, "MiB"}, {1 << 10, "KiB"}} {
		if n >= unit.size {
			return fmt.Sprintf("%.3g %s", math.Floor(float64(n)/float64(unit.size)*10)/10, unit.name)
		}
	}
	return fmt.Sprintf("%d bytes", n)
}

// hoursWords writes a time without suggesting more than is known.
func hoursWords(hours float64) string {
	switch {
	case hours < 1:
		return fmt.Sprintf("%.0f min", math.Floor(hours*60))
	case hours < 48:
		return fmt.Sprintf("%.0f h", math.Floor(hours))
	default:
		return fmt.Sprintf("%.0f days", math.Floor(hours/24))
	}
}

// shortTime writes how long was listened.
func shortTime(d time.Duration) string {
	return fmt.Sprintf("%.3g s", d.Seconds())
}
