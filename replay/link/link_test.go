package link

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// here is a host with every sort of link.
func here() network {
	return network{
		devices: []device{
			{index: 1, name: "lo", up: true, mtu: 65536},
			{index: 2, name: "can0", kind: "can", can: true, up: true, mtu: 16},
			{index: 3, name: "can1", can: true, up: true, mtu: 16}, // a driver without a kind
			{index: 4, name: "vcan0", kind: "vcan", can: true, up: true, mtu: 72},
			{index: 5, name: "vcan1", kind: "vcan", can: true, mtu: 72},
			{index: 6, name: "vcan7", kind: "dummy", up: true, mtu: 1500},
			{index: 7, name: "vcan8", kind: "can", can: true, up: true, mtu: 16}, // an adapter that was renamed
			{index: 8, name: "odd", kind: "vcan", up: true, mtu: 1500},
			{index: 10, name: "left", kind: "vxcan", can: true, up: true, mtu: 72, peer: 11},
			{index: 11, name: "right", kind: "vxcan", can: true, up: true, mtu: 72, peer: 10},
			{index: 12, name: "out", kind: "vxcan", can: true, up: true, mtu: 72, peer: 10, elsewhere: true},
			{index: 13, name: "lone", kind: "vxcan", can: true, up: true, mtu: 72},
			{index: 14, name: "mixed", kind: "vxcan", can: true, up: true, mtu: 72, peer: 2},
			{index: 15, name: "half", kind: "vxcan", can: true, up: true, mtu: 72, peer: 16},
			{index: 16, name: "halfdown", kind: "vxcan", can: true, mtu: 72, peer: 15},
		},
	}
}

// HAZARDS H11: a replay must move no vehicle.
func TestHazard11OnlyVirtualLinks(t *testing.T) {
	for _, c := range []struct {
		name, link string
		rules      []rule
		want       error
	}{
		{"virtual", "vcan0", nil, nil},
		{"a pair", "left", nil, nil},
		{"rules of other links", "vcan0", []rule{{2, 3}}, nil},
		{"adapter", "can0", nil, ErrNotVirtual},
		{"adapter without a kind", "can1", nil, ErrNotVirtual},
		{"adapter named like a virtual link", "vcan8", nil, ErrNotVirtual},
		{"dummy named like a virtual link", "vcan7", nil, ErrNotVirtual},
		{"carries no CAN", "odd", nil, ErrNotVirtual},
		{"loopback", "lo", nil, ErrNotVirtual},
		{"not there", "vcan9", nil, ErrNoLink},
		{"no name", "", nil, ErrNoLink},
		{"down", "vcan1", nil, ErrDown},
		{"forwarded from", "vcan0", []rule{{2, 3}, {4, 2}}, ErrForwarded},
		{"forwarded to", "vcan0", []rule{{2, 4}}, ErrForwarded},
		{"a rule with an unknown end", "vcan0", []rule{{2, 0}}, ErrForwarded},
		{"a rule without ends", "vcan0", []rule{{}}, ErrForwarded},
		{"peer forwarded", "left", []rule{{11, 2}}, ErrForwarded},
		{"peer elsewhere", "out", nil, ErrPeerHidden},
		{"no peer", "lone", nil, ErrPeerHidden},
		{"peer of another kind", "mixed", nil, ErrNotVirtual},
		{"peer down", "half", nil, ErrPeerDown},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := here()
			n.rules = c.rules
			d, err := n.admit(c.link)
			require.ErrorIs(t, err, c.want)
			if c.want == nil {
				require.NoError(t, err)
				require.Equal(t, c.link, d.name)
				return
			}
			refused := &RefusedError{Link: c.link, Err: err}
			require.NotEmpty(t, refused.Hint())
			require.NotContains(t, refused.Hint(), "%")
		})
	}
}

// Whatever the host looks like, a link that is let in is of one of two kinds and in no rule.
func TestNothingElseIsLetIn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		index := rapid.IntRange(0, 6)
		n := network{
			devices: rapid.SliceOfN(rapid.Custom(func(t *rapid.T) device {
				return device{
					index: index.Draw(t, "index"), name: "vcan0",
					kind: rapid.SampledFrom([]string{"", "can", "vcan", "vxcan", "dummy", "veth"}).Draw(t, "kind"),
					can:  rapid.Bool().Draw(t, "can"), up: rapid.Bool().Draw(t, "up"),
					peer: index.Draw(t, "peer"), elsewhere: rapid.Bool().Draw(t, "elsewhere"),
				}
			}), 1, 4).Draw(t, "devices"),
			rules: rapid.SliceOfN(rapid.Custom(func(t *rapid.T) rule {
				return rule{index.Draw(t, "from"), index.Draw(t, "to")}
			}), 0, 2).Draw(t, "rules"),
		}
		d, err := n.admit("vcan0")
		if err != nil {
			return
		}
		require.True(t, d.up && d.can)
		require.Contains(t, []string{"vcan", "vxcan"}, d.kind)
		require.False(t, d.kind == "vxcan" && d.elsewhere)
		for _, r := range n.rules {
			require.NotContains(t, []int{r.from, r.to}, d.index)
			if d.kind == "vxcan" {
				require.NotContains(t, []int{r.from, r.to}, d.peer)
			}
		}
	})
}

func TestMapping(t *testing.T) {
	for _, c := range []struct {
		name    string
		mapping []Map
		want    error
	}{
		{"none", nil, ErrNoMap},
		{"one bus onto two links", []Map{{"can0", "vcan0"}, {"can0", "vcan1"}}, ErrNamedTwice},
		{"two buses onto one link", []Map{{"can0", "vcan0"}, {"can1", "vcan0"}}, ErrNamedTwice},
		{"a bus and a link of one name", []Map{{"can0", "can1"}, {"can1", "can0"}}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := checkMap(c.mapping)
			require.ErrorIs(t, err, c.want)
			require.Equal(t, c.want == nil, err == nil)
		})
	}
	require.EqualError(t, checkMap([]Map{{"can0", "vcan0"}, {"can1", "vcan0"}}), "link vcan0: named twice")
	require.EqualError(t, checkMap(nil), "no bus was given a link")
	require.Empty(t, (&RefusedError{Err: ErrNoMap}).Hint())
}
