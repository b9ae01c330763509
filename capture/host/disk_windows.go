package host

import "golang.org/x/sys/windows"

// diskAt asks by GetDiskFreeSpaceEx, which knows quotas.
func diskAt(path string) (Disk, error) {
	name, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return Disk{}, err
	}
	var d Disk
	if err := windows.GetDiskFreeSpaceEx(name, &d.Free, &d.Total, nil); err != nil {
		return Disk{}, err
	}
	return d, nil
}
