//go:build !linux

package link

func askKernel() (network, error) { return network{}, ErrNotLinux }

func openOutlet(int) (outlet, error) { return nil, ErrNotLinux }
