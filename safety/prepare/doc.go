// Package prepare says, before a job, what would spoil its recording: the bus, the adapter, the
// definitions, the job card, and the machine that records.
//
//	links ----------+
//	frames heard ---+
//	definitions ----+--> Facts --> checks --> Report --> text, JSON
//	job card -------+
//	the machine ----+
//
// The invariant: a fact that nobody gave becomes a check that could not be looked at, never one that
// found nothing; and no report says more than that these checks found nothing. It asks no system and
// keeps no time: the facts are handed in.
package prepare
