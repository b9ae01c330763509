// Package link puts the frames of a session onto virtual CAN links.
//
//	Open --asks the kernel: what kind, up, forwarded?--> Sender
//	Send(batch):  frame of bus can0 --> socket bound to vcan9
//	              frame of another bus --> counted        error frame --> counted, never sent
//	              a second since the kernel was asked? --> ask it again; it ends where the answer changed
//
// The invariant: nothing is sent on a link unless the kernel said, within the second before, that its
// kind is vcan or vxcan, that it is up, and that no rule of the CAN gateway names it. A name counts for
// nothing: a link called vcan0 may be of any kind. What can't be read, or is not known, refuses the
// link. Nothing switches this off.
//
// A vxcan link hands its frames to its peer, so the peer is held to the same: it must be a vxcan link
// that no rule names. A peer in another network namespace can't be looked at, so such a pair is refused.
// What the kernel does not tell here is not checked: programs that carry frames from one link to
// another, and actions of traffic control.
//
// It follows linux/can.h, linux/can/raw.h, linux/can/gw.h and rtnetlink(7). It keeps no time: a
// replay.Player hands over what is due. It receives nothing, and sets up no link. Elsewhere than on
// Linux Open says that it can't.
package link
