package bench

import "sync"

// aside passes a secret that a person has typed for a hold to the run that
// waits for it, and forgets it. What is told of the release, here and to the
// store of orders, does not hold it. The zero aside is ready.
type aside struct {
	mu    sync.Mutex
	holds map[string][]byte
}

// Put keeps a secret for a hold, in place of one that was put before.
func (a *aside) Put(hold string, secret []byte) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.holds == nil {
		a.holds = map[string][]byte{}
	}
	clear(a.holds[hold])
	a.holds[hold] = append([]byte(nil), secret...)
}

// Take gives the secret of a hold, once; the caller wipes it.
func (a *aside) Take(hold string) ([]byte, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	secret, ok := a.holds[hold]
	delete(a.holds, hold)
	return secret, ok
}

// Forget wipes the secret of a hold that was released otherwise.
func (a *aside) Forget(hold string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	clear(a.holds[hold])
	delete(a.holds, hold)
}
