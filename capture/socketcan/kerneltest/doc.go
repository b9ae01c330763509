// Package kerneltest runs tests on a kernel that has a CAN stack: the host's own where it has one,
// else a stock kernel that boots under qemu in a few seconds.
//
//	go test ---- TestKernelA, TestKernelB: Run(t, ...)
//	               |                          ^ the result of each, by its name
//	               v  once per process        |
//	             the same test binary, -test.run ^TestKernel -test.v
//	               in a network of its own on the host, or
//	               as the only program of an emulated machine
//
// A test that calls Run is written once and does not know where it runs. Its name begins with
// TestKernel, or with TestKernelMachine where it must not touch the host. Inside it finds an empty network: the links it needs it makes with AddLink.
//
// The invariant: a test passes only when its body ran on such a kernel and passed there. Where none
// is to be had, the test is skipped and says why; with RIDEWITNESS_REQUIRE=1 it fails.
//
// The package is for tests only. It makes links and gateway rules by rtnetlink, which nothing else
// in the module does. What the machine needs is fetched by .ci/kernel/prepare.
package kerneltest
