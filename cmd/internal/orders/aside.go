package orders

import "sync"

// Aside passes a secret that a person has typed to the run that waits for it,
// within one process, and forgets it. It is how a secret gets to a bench: its
// page or API is given the secret over TLS and puts it here; then the hold is
// released without a text. A secret is never part of a Release, which goes
// over the bus and onto disks. The zero Aside is ready.
type Aside struct {
	mu    sync.Mutex
	holds map[string][]byte
}

// Put keeps a secret for a hold, in place of one that was put before.
func (a *Aside) Put(hold string, secret []byte) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.holds == nil {
		a.holds = map[string][]byte{}
	}
	clear(a.holds[hold])
	a.holds[hold] = append([]byte(nil), secret...)
}

// Take gives the secret of a hold, once; the caller wipes it.
func (a *Aside) Take(hold string) ([]byte, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	secret, ok := a.holds[hold]
	delete(a.holds, hold)
	return secret, ok
}

// Forget wipes the secret of a hold that was released otherwise.
func (a *Aside) Forget(hold string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	clear(a.holds[hold])
	delete(a.holds, hold)
}
