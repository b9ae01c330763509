// Package socketcan yields what is on live CAN buses, from the raw sockets of a Linux kernel.
//
//	bus 0 --socket--+                      +-- ring of 2^16 frames --+
//	bus 1 --socket--+-- one locked thread -+                         +-- Next --> Batch
//	links --asked---+   drain, rest 1 ms   +-- events by position ---+
//
// One socket per bus, so that the kernel's count of dropped frames belongs to that bus. The kernel
// stamps a frame when its driver hands it over, so the rest of 1 ms costs no accuracy; it saves three
// quarters of the processor time, which on a battery in a workshop counts.
//
// The invariant: a frame that reached a bus's socket is delivered or counted as lost, and a socket
// that receives never sends. The package has no way to send on a bus and changes no link.
//
// It follows the kernel's Documentation/networking/can.rst, linux/can.h, linux/can/raw.h,
// linux/can/netlink.h and rtnetlink(7). It sets up no link, reads no file, and knows no meaning of a
// frame. Elsewhere than on Linux Open says that it can't.
package socketcan
