package socketcan

import (
	"fmt"
	"syscall"
)

// Links returns what the kernel says of every link of this host, CAN or not.
func Links() ([]Facts, error) {
	var all []Facts
	err := dump(syscall.RTM_GETLINK, syscall.AF_UNSPEC, syscall.RTM_NEWLINK, func(b []byte) {
		if f, ok := parseLink(b); ok {
			all = append(all, f)
		}
	})
	return all, err
}

// FactsOf returns what the kernel says of one link. The error is a *LinkError.
func FactsOf(name string) (Facts, error) {
	all, err := Links()
	if err != nil {
		return Facts{}, &LinkError{Link: name, Err: err}
	}
	for _, f := range all {
		if f.Name == name {
			return f, nil
		}
	}
	return Facts{}, &LinkError{Link: name, Err: ErrNoLink}
}

// Gateways returns the rules by which this host forwards CAN frames between links. Reading them needs
// no privilege.
func Gateways() ([]Gateway, error) {
	var all []Gateway
	err := dump(syscall.RTM_GETROUTE, familyCAN, syscall.RTM_NEWROUTE, func(b []byte) {
		// A kernel without gateway answers with the routes of other families.
		if g, ok := parseGateway(b); ok {
			all = append(all, g)
		}
	})
	return all, err
}

// dump asks the kernel by rtnetlink(7) and calls take for each message of the kind that is wanted.
func dump(ask, family int, want uint16, take func(body []byte)) error {
	b, err := syscall.NetlinkRIB(ask, family)
	if err != nil {
		return fmt.Errorf("ask the kernel for its links: %w", err)
	}
	messages, err := syscall.ParseNetlinkMessage(b)
	if err != nil {
		return fmt.Errorf("the kernel's answer about its links: %w", err)
	}
	for _, m := range messages {
		if m.Header.Type == want {
			take(m.Data)
		}
	}
	return nil
}
