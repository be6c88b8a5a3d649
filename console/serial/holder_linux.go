package serial

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// holder names another process that has the device open, as far as /proc
// lets us see: other users' processes only as root.
func holder(d device) string {
	files, err := filepath.Glob("/proc/[0-9]*/fd/*")
	if err != nil {
		return ""
	}
	self := strconv.Itoa(os.Getpid())
	for _, file := range files {
		parts := strings.Split(file, "/") // "", "proc", PID, "fd", N
		if pid := parts[2]; pid != self && d.isOpenAs(file) && !(d.isPseudo() && holdsMaster(pid)) {
			return process(pid)
		}
	}
	return ""
}

func (d device) isOpenAs(file string) bool {
	target, err := os.Readlink(file)
	if err != nil || !strings.HasPrefix(target, "/dev/") {
		return false
	}
	if target == d.path {
		return true
	}
	var st unix.Stat_t
	return unix.Stat(file, &st) == nil && st.Mode&unix.S_IFMT == unix.S_IFCHR && st.Rdev == d.rdev
}

// isOther tells a device that the kernel knows and that is no terminal.
func (d device) isOther() bool {
	kind, err := os.Readlink(fmt.Sprintf("/sys/dev/char/%d:%d/subsystem", unix.Major(d.rdev), unix.Minor(d.rdev)))
	return err == nil && filepath.Base(kind) != "tty"
}

// isPseudo tells a pseudo-terminal: majors 136 to 143, devices.txt of the
// kernel.
func (d device) isPseudo() bool {
	major := unix.Major(d.rdev)
	return major >= 136 && major <= 143
}

// holdsMaster tells whether the process has a pseudo-terminal master: it is
// then the unit's side, which often keeps the other end open as well, so that
// the pair outlives its users.
func holdsMaster(pid string) bool {
	files, _ := filepath.Glob("/proc/" + pid + "/fd/*")
	for _, file := range files {
		if target, _ := os.Readlink(file); strings.HasSuffix(target, "/ptmx") {
			return true
		}
	}
	return false
}

func process(pid string) string {
	name, err := os.ReadFile("/proc/" + pid + "/comm")
	if err != nil {
		return "process " + pid
	}
	return fmt.Sprintf("process %s (%s)", pid, strings.TrimSpace(string(name)))
}
