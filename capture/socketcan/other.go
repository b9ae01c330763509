//go:build !linux

package socketcan

import (
	"context"

	"ridewitness/capture"
)

// Source yields what is on live buses. Here there is none.
type Source struct{}

// Open says that live buses need Linux.
func Open([]string, Options) (*Source, error) { return nil, &LinkError{Err: ErrNotLinux} }

// Buses returns nothing.
func (s *Source) Buses() []Bus { return nil }

// Counts returns nothing.
func (s *Source) Counts() []Counts { return nil }

// Now returns nothing.
func (s *Source) Now() capture.Stamp { return 0 }

// Next implements capture.Source.
func (s *Source) Next(context.Context, *capture.Batch) error { return &LinkError{Err: ErrNotLinux} }

// Close does nothing.
func (s *Source) Close() error { return nil }

// Stack says that live buses need Linux.
func Stack() error { return &LinkError{Err: ErrNotLinux} }

// Links says that live buses need Linux.
func Links() ([]Facts, error) { return nil, &LinkError{Err: ErrNotLinux} }

// FactsOf says that live buses need Linux.
func FactsOf(name string) (Facts, error) { return Facts{}, &LinkError{Link: name, Err: ErrNotLinux} }

// Gateways says that live buses need Linux.
func Gateways() ([]Gateway, error) { return nil, &LinkError{Err: ErrNotLinux} }
