// Package session reads and writes session files: recordings of a vehicle network that prove
// themselves.
//
// A session is a pcapng file (IETF draft-ietf-opsawg-pcapng) that any general-purpose packet tool
// opens. Between the packets lies the journal, in blocks of local use that other readers skip:
//
//	section header | interface can0 | interface can1 | J1 session | packet 1 | packet 2 | J2 mark |
//	packet 3 | ... | J17 seal | ... | statistics can0 | statistics can1 | J99 seal (end)
//
// A seal holds the SHA-256 of every byte of its section before it. What is added later is a section of
// its own behind the end, whose first journal record holds digest and length of the section before.
//
// The invariant: a Reader goes forward only, keeps no more than a few chunks whatever a length field
// claims, allocates nothing per frame, and never calls a file sealed of which a byte was changed.
// FORMAT.md beside this file is the page of the format.
//
// A session can be followed while it is written (Tail). Its writer has the file's lock until it is done,
// so that a pause, an end and a death are told apart.
//
// Read are besides: either byte order, every time unit that fits 64 bits, several sections, the three
// kinds of packet block, unknown blocks and options, and classic pcap in its four forms. Frames are
// those of link type 227 (SocketCAN). CAN XL frames are recognised and left out.
package session
