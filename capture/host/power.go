package host

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// Power is what the machine lives on. The zero value is unknown.
type Power struct {
	Known     bool // a battery is there, and it is known whether it is being emptied
	OnBattery bool // a battery is being emptied, whatever is plugged in
	Percent   int  // 0 to 100 of all batteries together; a battery that does not say counts as empty
}

// Bounds of what is read: a folder or a file that is not the kernel's may hold anything.
const (
	maxSupplies = 64
	maxWord     = 64 // bytes
)

// PowerIn reads a folder that is laid out like Linux's /sys/class/power_supply: a folder for each
// supply, a file for each of its properties. A folder that is not there, and one without a battery, is
// no error and is not known. Batteries of a mouse or the like don't count.
func PowerIn(folder string) (Power, error) {
	entries, err := os.ReadDir(folder)
	if errors.Is(err, fs.ErrNotExist) {
		return Power{}, nil
	}
	if err != nil {
		return Power{}, fmt.Errorf("what the machine lives on: %w", err)
	}
	var t tally
	for _, e := range entries[:min(len(entries), maxSupplies)] {
		t.add(supply(filepath.Join(folder, e.Name())))
	}
	return t.power(), nil
}

// supply is the folder of one supply.
type supply string

// word returns a property, "" where there is none.
func (s supply) word(name string) string {
	path := filepath.Join(string(s), name)
	// A pipe in the place of a file would never end.
	if info, err := os.Stat(path); err != nil || !info.Mode().IsRegular() {
		return ""
	}
	f, err := os.Open(path)
	if err != nil {
		return ""
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxWord+1))
	if err != nil || len(text) > maxWord {
		return ""
	}
	return strings.TrimSpace(string(text))
}

// percent returns how full a battery is, 0 where it does not say or says what can't be.
func (s supply) percent() int {
	n, err := strconv.Atoi(s.word("capacity"))
	if err != nil || n < 0 || n > 100 {
		return 0
	}
	return n
}

// tally is what all supplies say together.
type tally struct {
	batteries, percent       int
	emptied, filled, resting bool // what batteries say
	pluggedIn, pluggedOut    bool // what plugs say
}

// add counts one supply. A battery that is not in its bay says present 0.
func (t *tally) add(s supply) {
	kind := s.word("type")
	switch {
	case s.word("scope") == "Device" || s.word("present") == "0":
	case kind == "Battery":
		t.batteries++
		t.percent += s.percent()
		switch s.word("status") {
		case "Discharging":
			t.emptied = true
		case "Charging":
			t.filled = true
		case "Not charging", "Full":
			t.resting = true
		}
	case kind == "Mains" || strings.HasPrefix(kind, "USB") || kind == "Wireless":
		switch s.word("online") {
		case "1", "2":
			t.pluggedIn = true
		case "0":
			t.pluggedOut = true
		}
	}
}

// power concludes. Of two batteries one rests while the other is emptied; and a charger that is too weak
// is plugged in while the battery is emptied. So what is emptied counts first. A full battery with every
// plug out is about to be emptied.
func (t *tally) power() Power {
	if t.batteries == 0 {
		return Power{}
	}
	p := Power{Percent: t.percent / t.batteries}
	switch {
	case t.emptied:
		p.Known, p.OnBattery = true, true
	case t.filled, t.pluggedIn:
		p.Known = true
	case t.pluggedOut:
		p.Known, p.OnBattery = true, true
	case t.resting:
		p.Known = true
	}
	return p
}
