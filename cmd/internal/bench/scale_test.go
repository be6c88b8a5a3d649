package bench_test

// childScale holds what a process with many benches in it is to do.
const childScale = "LINEHAND_TEST_SCALE"

func scaleBenches(string) error { return nil }
