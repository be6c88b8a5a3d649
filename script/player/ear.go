package player

import (
	"time"

	"linehand/console"
)

// chunk is what one read of the line brought.
type chunk struct {
	bytes []byte
	at    time.Time
	err   error // the line is gone; the last chunk
}

// ear is the one reader of a line. Its goroutine ends when the line is
// closed or gone and its last chunk is taken or the ear is stopped.
type ear struct {
	chunks chan chunk
	stop   chan struct{}
	done   chan struct{}
}

// earDepth is how many reads may wait while a run is busy (typing, syncing):
// at 115,200 bits a second and 256 bytes a read, some 5 seconds.
const earDepth = 256

func listen(line console.Line) *ear {
	e := &ear{chunks: make(chan chunk, earDepth), stop: make(chan struct{}), done: make(chan struct{})}
	go e.read(line)
	return e
}

func (e *ear) read(line console.Line) {
	defer close(e.done)
	buf := make([]byte, 4096)
	for {
		n, at, err := line.Read(buf)
		c := chunk{at: at, err: err}
		if n > 0 {
			c.bytes = append([]byte(nil), buf[:n]...)
		}
		select {
		case e.chunks <- c:
		case <-e.stop:
			return
		}
		if err != nil {
			return
		}
	}
}

// wait ends the reader; the line must be closed before.
func (e *ear) wait() {
	close(e.stop)
	<-e.done
}
