// Package j1939 reads what SAE J1939 puts around the data of a parameter group: the 29 bit identifier,
// the transport of groups longer than 8 bytes, and the address claims that say who speaks.
//
//	1CECFF2F  20 14 00 03 FF B0 FE 00     0x2F announces 20 bytes of group 65200 in 3 packets, to all
//	1CEBFF2F  01 ..   02 ..   03 ..       --> Message, 20 bytes, group 65200 from 0x2F
//
// Split takes an identifier apart. A Listener joins packets to messages, by broadcast announcement and
// between two units with request and clear to send. A Directory follows units by their NAME while
// their addresses change.
//
// The invariant: a Message is whole. One that lacks a packet, or may lack one, is told as Incomplete.
//
// It follows SAE J1939-21 (transport; ISO 11783-3 is the same here) and J1939-81 (address claim). It
// sends nothing, decodes no parameter, and recognises the extended transport protocol without reading
// it. Whether a bus speaks J1939 at all is for the caller to say.
package j1939
