package serial

import "golang.org/x/sys/unix"

const (
	systemLocks = ""
	stickParity = 0     // this system has no mark and space parity
	canPoll     = false // kqueue(2) and serial ports: not tried
)

func getTermios(fd int) (*unix.Termios, error) { return unix.IoctlGetTermios(fd, unix.TIOCGETA) }

func setTermios(fd int, t *unix.Termios) error { return unix.IoctlSetTermios(fd, unix.TIOCSETA, t) }

// dropOutput gives up what was written and has not left, tcflush(3): FWRITE.
func dropOutput(fd int) error { return unix.IoctlSetPointerInt(fd, unix.TIOCFLUSH, 2) }
