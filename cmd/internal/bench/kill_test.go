package bench_test

// childMain is what a re-executed test binary does; false: it is none.
func childMain() bool { return false }
