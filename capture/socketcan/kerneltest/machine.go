//go:build linux

package kerneltest

import (
	"bytes"
	"context"
	"debug/elf"
	_ "embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// emulator is the program that boots the machine.
const emulator = "qemu-system-x86_64"

// kernelVariable names the folder that .ci/kernel/prepare filled, in place of the user's cache.
const kernelVariable = "RIDEWITNESS_KERNEL"

//go:embed init
var firstProcess []byte

// kernelFolder returns the folder that .ci/kernel/prepare fills.
func kernelFolder() (string, error) {
	if folder := os.Getenv(kernelVariable); folder != "" {
		return folder, nil
	}
	cache, err := os.UserCacheDir()
	return filepath.Join(cache, "ridewitness-kernel"), err
}

// runInMachine boots the machine with this binary in it.
func runInMachine(ctx context.Context, arguments []string) *outcome {
	if _, err := exec.LookPath(emulator); err != nil {
		return &outcome{absent: "this kernel has no CAN stack and " + emulator + " is not installed"}
	}
	folder, err := kernelFolder()
	if err != nil {
		return &outcome{absent: "this kernel has no CAN stack: " + err.Error()}
	}
	if _, err := os.Stat(filepath.Join(folder, "version")); err != nil {
		return &outcome{absent: "this kernel has no CAN stack and none was fetched by .ci/kernel/prepare"}
	}
	work, err := os.MkdirTemp("", "ridewitness-machine")
	if err != nil {
		return &outcome{absent: err.Error()}
	}
	defer os.RemoveAll(work)
	return boot(ctx, folder, work, arguments)
}

// boot runs the machine to its end and reads what the tests said.
func boot(ctx context.Context, folder, work string, arguments []string) *outcome {
	run := &outcome{where: "the emulated machine"}
	disk, err := pack(ctx, folder, work)
	if err != nil {
		run.problem = err.Error()
		return run
	}
	console := filepath.Join(work, "console")
	// One processor whose clock counts its instructions, 4 ns each, and leaps over waiting (-icount):
	// frames keep their order, time-outs mean the same however busy the host is, and cost nothing. An
	// emulated processor moves a byte a step where it has 'enhanced' moves, and eight where it has none.
	cmd := exec.CommandContext(ctx, emulator,
		"-accel", "tcg,thread=single", "-icount", "shift=2,sleep=off", "-rtc", "clock=vm", "-cpu", "max,-erms,-fsrm", "-m", "1024",
		"-nodefaults", "-display", "none", "-no-reboot",
		"-kernel", filepath.Join(folder, "vmlinuz"), "-initrd", disk,
		"-append", "console=ttyS0 quiet panic=-1 -- "+strings.Join(arguments, " "),
		"-serial", "file:"+console, "-serial", "stdio")
	var output bytes.Buffer
	cmd.Stdout, cmd.Stderr = &output, &output
	err = cmd.Run()
	run.results = results(output.String())
	run.tail = tail(output.String())
	if words, readErr := os.ReadFile(console); readErr == nil {
		run.tail += tail(string(words))
	}
	if err = errors.Join(err, ctx.Err()); err != nil {
		run.problem = err.Error()
	}
	return run
}

// pack writes the machine's file system: the first process, busybox, the modules and the tests.
func pack(ctx context.Context, folder, work string) (string, error) {
	tests, err := staticBinary(ctx, work)
	if err != nil {
		return "", err
	}
	var a archive
	a.folder("modules")
	a.folder("work")
	a.file("init", firstProcess)
	a.file("environment", []byte("export "+strings.Join(environment, " ")+" TMPDIR=/tmp HOME=/tmp\n"))
	files := map[string]string{"busybox": "busybox", "load": "load", "tests": ""}
	names, err := filepath.Glob(filepath.Join(folder, "modules", "*.ko"))
	if err != nil {
		return "", err
	}
	for _, name := range names {
		files[filepath.Join("modules", filepath.Base(name))] = filepath.Join("modules", filepath.Base(name))
	}
	for name, from := range files {
		path := filepath.Join(folder, from)
		if name == "tests" {
			path = tests
		}
		body, err := os.ReadFile(path)
		if err != nil {
			return "", err
		}
		a.file(name, body)
	}
	if err := packTestdata(&a); err != nil {
		return "", err
	}
	a.end()
	disk := filepath.Join(work, "initrd")
	return disk, os.WriteFile(disk, a.Bytes(), 0o600)
}

// packTestdata adds the package's folder testdata/kernel, where there is one, under the same name in
// the folder in which the tests run.
func packTestdata(a *archive) error {
	root := filepath.Join("testdata", "kernel")
	if _, err := os.Stat(root); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	a.folder("work/testdata")
	return filepath.WalkDir(root, func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := filepath.ToSlash(filepath.Join("work", path))
		if entry.IsDir() {
			a.folder(name)
			return nil
		}
		body, err := os.ReadFile(path)
		a.file(name, body)
		return err
	})
}

// staticBinary returns this test binary, or one built anew where this one needs libraries that the
// machine does not have.
func staticBinary(ctx context.Context, work string) (string, error) {
	binary, err := os.Executable()
	if err != nil {
		return "", err
	}
	file, err := elf.Open(binary)
	if err != nil {
		return "", err
	}
	defer file.Close()
	if libraries, err := file.ImportedLibraries(); err == nil && len(libraries) == 0 {
		return binary, nil
	}
	built := filepath.Join(work, "tests")
	cmd := exec.CommandContext(ctx, "go", "test", "-c", "-o", built, ".")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=")
	if said, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build without cgo: %w\n%s", err, said)
	}
	return built, nil
}
