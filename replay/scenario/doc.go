// Package scenario simulates a spring job: a vehicle on air springs, a lift, a jack, a pair of
// hands, a tester, and faults of a chosen size at a chosen moment.
//
//	YAML --Load--> Scenario --Open(seed)--> Run (a capture.Source)
//
//	   hands and tester        vehicle             sensors           buses
//	  +----------------+   +--------------+   +---------------+   +---------+
//	  | steps, one by  |-->| air, height, |-->| lag, noise,   |-->| merge   |--> frames, events
//	  | one, each tick |   | RK4 per tick |   | steps, faults |   | by time |
//	  +----------------+   +--------------+   +---------------+   +---------+
//	          |                    |                                   ^
//	          +--------------------+---- marks, truth -----------------+
//
// The invariant: the same scenario and seed give the same frames and events, byte for byte, on
// every platform. So the physics uses only + - * / and square roots; every product that is added
// to something is converted to float64 on its own, which forbids the compiler to fuse the two
// roundings (Go specification, "Floating-point operators"); time is an integer count of
// nanoseconds; each purpose draws from a random stream of its own.
//
// Air follows the ideal gas law with one temperature per spring, valves and leaks ISO 6358. There
// are no tyres, no roll and no frame: each corner carries its own share of the body. What the
// simulator knows and no network shows goes into journal records of kind `truth`, which nothing
// that judges may read. No real vehicle stands behind any number here.
package scenario
