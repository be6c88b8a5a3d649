package serial

import "golang.org/x/sys/unix"

const (
	systemLocks = "/run/lock"
	stickParity = unix.CMSPAR
	canPoll     = true // epoll(7) knows terminals
)

// TCGETS2 tells the speed as a number, not as a code of the table in
// termios(3).
func getTermios(fd int) (*unix.Termios, error) { return unix.IoctlGetTermios(fd, unix.TCGETS2) }

func setTermios(fd int, t *unix.Termios) error { return unix.IoctlSetTermios(fd, unix.TCSETS2, t) }

// dropOutput gives up what was written and has not left, tcflush(3).
func dropOutput(fd int) error { return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCOFLUSH) }
