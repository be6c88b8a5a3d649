package web_test

import (
	"path/filepath"
	"strings"
	"testing"

	"linehand/cmd/internal/orders"
	"linehand/cmd/internal/web"
)

// The Fleet page shows the benches with their lines, and the orders by batch;
// a bench's address is linked to only when it is one of the web.
func TestFleet(t *testing.T) {
	_, d, _ := demo(t)
	st, err := orders.Open(t.Context(), orders.Options{Bench: "bench-1", Folder: filepath.Join(t.TempDir(), "orders")})
	must(t, err)
	t.Cleanup(st.Close)
	must(t, st.Announce(t.Context(), orders.Bench{Name: "bench-1", Site: "skerrymore", URL: "javascript:alert(1)", Lines: []orders.Line{{Name: "cable 1", State: "playing"}, {Name: "cable 2", State: "on hold"}}}))
	for _, batch := range []string{"b10", "b9", ""} {
		o, err := st.File(t.Context(), orders.Filing{Site: "skerrymore", Unit: "deep-1" + batch, Batch: batch, Person: "Robin"})
		must(t, err)
		if batch == "b9" {
			_, err = st.Stop(t.Context(), o.ID, "Robin", "not today")
			must(t, err)
		}
	}
	d.Orders = st
	d.Pages = web.Pages(d)
	status, text := get(t, d, robin, "/fleet")
	if status != 200 {
		t.Fatalf("%d: %s", status, text)
	}
	wantWords(t, "the fleet", text, "1 bench", "1 playing", "1 waiting for a person", "3 work orders", "Batch b9", "Batch b10", "Without a batch", "withdrawn", "waiting")
	if strings.Contains(text, "javascript:") {
		t.Error("a bench's address that is none is linked to")
	}
	if a, b, c := strings.Index(text, "Batch b9"), strings.Index(text, "Batch b10"), strings.Index(text, "Without a batch"); a > b || b > c {
		t.Errorf("the batches stand in another order: %d, %d, %d", a, b, c)
	}
	_, text = get(t, d, robin, "/")
	wantWords(t, "the Bench page", text, "Units that are on no line yet")
}
