package live

import (
	"time"

	"ridewitness/capture/session"
	"ridewitness/replay/terminal"
)

// What is known of the sound.
const (
	soundUntested = ""
	soundAsked    = "asked"
	soundUnheard  = "sound not heard"
	soundQuestion = "A bell just rang. Was it heard where the work is done? Y yes, N no, T again"
)

// testSound rings, and asks whether it was heard.
func (d *Desk) testSound() {
	d.mu.Lock()
	d.sound = soundAsked
	d.mu.Unlock()
	d.ring()
}

// heard puts the answer on record.
func (d *Desk) heard(yes bool) {
	now := d.o.Now()
	s := d.follow.State(now)
	d.mu.Lock()
	d.sound = soundUnheard
	if yes {
		d.sound = "sound heard " + terminal.Clock(s.Start, now)
	}
	d.mu.Unlock()
	d.keep(now, session.SoundRecord{Kind: session.KindSound, Heard: yes})
	if !yes {
		d.say(true, "Then no warning will be heard: turn the sound on, and press T. The screen warns all the same.")
	}
}

// soundWords says what is known of the sound. The lock is held.
func (d *Desk) soundWords() string {
	switch d.sound {
	case soundUntested, soundAsked:
		return "SOUND NOT TESTED"
	default:
		return d.sound
	}
}

// ring sounds at once.
func (d *Desk) ring() {
	d.mu.Lock()
	d.rang = time.Now()
	d.mu.Unlock()
	d.display.Ring()
}

// ringAgain is how often what lasts sounds (HAZARDS H10).
const ringAgain = 5 * time.Second

// sounds rings while a danger lasts, or nothing is written, unless somebody silenced it.
func (d *Desk) sounds(now time.Time) {
	danger := d.follow.Danger()
	d.mu.Lock()
	due := (danger || d.trouble != "") && now.Sub(d.rang) >= ringAgain && d.o.Now() >= d.silenced
	d.mu.Unlock()
	if due {
		d.ring()
	}
}
