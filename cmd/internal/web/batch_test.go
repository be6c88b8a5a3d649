package web_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/rs/zerolog"

	"linehand/cmd/internal/access"
	"linehand/cmd/internal/api"
	"linehand/cmd/internal/bench"
	"linehand/cmd/internal/station"
	"linehand/console"
	"linehand/fixtures"
	"linehand/fixtures/sim"
	"linehand/script"
	"linehand/script/plan"
	"linehand/script/secret"
	"linehand/transcript"
)

const shelves, cables = 16, 8

// batchSite lays out a site of shelves in clusters of two, so that all cables
// play at once: a cluster's shelves are played one after the other. The first
// of each starts its cluster.
func batchSite(t testing.TB, dir string) (profile string) {
	t.Helper()
	var text strings.Builder
	text.WriteString("format: linehand.site/1\ndefaults: company.yaml\nsite: {name: holm, title: Holm, demonstration: true}\n")
	text.WriteString("networks:\n  - {name: quay, subnet: 192.0.2.0/24, gateway: 192.0.2.1, vlan: 10}\nclusters:\n")
	for c := range cables {
		fmt.Fprintf(&text, "  - {name: deep-%c, address: 192.0.2.%d, network: quay, join-secret: join-%c}\n", 'a'+c, 200+c, 'a'+c)
	}
	text.WriteString("secrets:\n")
	for c := range cables {
		fmt.Fprintf(&text, "  join-%c: {env: LINEHAND_JOIN_%c}\n", 'a'+c, 'A'+c)
	}
	text.WriteString("units:\n")
	for n := range shelves {
		how := "start"
		if n >= cables {
			how = "join"
		}
		fmt.Fprintf(&text, "  - {name: shelf-%02d, kind: brackwater-s24, serial: BW24-%04d, cluster: {%s: deep-%c}, ports: [{name: e0, network: quay, address: 192.0.2.%d}]}\n", n+1, n+1, how, 'a'+n%cables, 20+n)
	}
	files := map[string]string{"site/batch.yaml": text.String()}
	for _, name := range []string{"site/company.yaml", "dialogues/brackwater-s24.yaml", "dialogues/quillon-x48.yaml"} {
		data, err := fixtures.Files.ReadFile(name)
		must(t, err)
		files[name] = string(data)
	}
	for name, data := range files {
		path := filepath.Join(dir, filepath.FromSlash(name))
		must(t, os.MkdirAll(filepath.Dir(path), 0o700))
		must(t, os.WriteFile(path, []byte(data), 0o600))
	}
	return filepath.Join(dir, "site", "batch.yaml")
}

// batch is a bench with cables to simulated shelves.
type batch struct {
	t        testing.TB
	sheet    *station.Sheet
	secrets  *secret.Store
	daemon   *bench.Daemon
	jacks    map[string]*sim.Jack // by line
	units    map[string]sim.Unit
	sessions map[string]*sim.Session
	speed    int     // bits a second of the lines
	scale    float64 // of the shelves' own pauses
	ctx      context.Context

	mu     sync.Mutex
	ends   map[string]*far // by line: who is at the far end of its cable
	looked map[string]int  // by unit: how often a hold that nobody has caused was released
}

// far is one unit's end of a cable. When the cable is taken to another unit it
// hears and says nothing any more.
type far struct {
	in     chan []byte
	closed chan struct{}
	once   sync.Once
	rest   []byte
	line   string
	b      *batch
}

func (f *far) Read(p []byte) (int, error) {
	if len(f.rest) == 0 {
		select {
		case f.rest = <-f.in:
		case <-f.closed:
			return 0, io.EOF
		}
	}
	n := copy(p, f.rest)
	f.rest = f.rest[n:]
	return n, nil
}

func (f *far) Write(p []byte) (int, error) {
	f.b.mu.Lock()
	here := f.b.ends[f.line] == f
	f.b.mu.Unlock()
	if here {
		_, _ = f.b.jacks[f.line].Write(p) // with nobody there it is lost
	}
	return len(p), nil
}

func (f *far) Close() error {
	f.once.Do(func() { close(f.closed) })
	return nil
}

func lineName(n int) string { return fmt.Sprintf("unix:cable-%d", n) }

// startBatch starts the real daemon on cables in memory.
func startBatch(t *testing.T, profile, data, records string) *batch {
	t.Helper()
	sheet, err := station.ReadSheet(profile)
	must(t, err)
	b := &batch{t: t, sheet: sheet, secrets: secret.Throwaway(sheet.Plan.Secrets, 11), jacks: map[string]*sim.Jack{}, units: map[string]sim.Unit{}, sessions: map[string]*sim.Session{}, ends: map[string]*far{}, looked: map[string]int{}, speed: 9600, scale: 0.2}
	if os.Getenv("LINEHAND_TRUE_SPEED") != "" {
		b.scale = 1
	}
	ctx, cancel := context.WithCancel(context.Background())
	b.ctx = ctx
	cfg := bench.Config{
		Name: "bench-1", Data: data, Records: records, Sheet: sheet, Allow: bench.PerBatch, Away: time.Minute,
		Secrets: func() *secret.Store { return b.secrets }, Mask: transcript.NewMask(), Committer: transcript.NewCheapCommitter(), Tool: "linehand test", Log: zerolog.Nop(),
		Open: func(_ context.Context, address string, _ console.Settings, _ string) (console.Line, error) {
			return b.jacks[address].Open()
		},
	}
	var readers sync.WaitGroup
	for n := range cables {
		name := lineName(n + 1)
		b.jacks[name] = sim.NewJack(name, console.Default)
		cfg.Lines = append(cfg.Lines, name)
	}
	for _, name := range cfg.Lines { // not before all of them are there
		readers.Go(func() { b.carry(name) })
	}
	b.daemon, err = bench.New(cfg)
	must(t, err)
	ended := make(chan error, 1)
	go func() { ended <- b.daemon.Run(ctx) }()
	for end := time.Now().Add(patience); len(b.daemon.Lines()) < cables && time.Now().Before(end); {
		time.Sleep(10 * time.Millisecond)
	}
	for n := 1; n <= cables; n++ {
		must(t, b.daemon.Label(ctx, bench.Person{Name: "Robin"}, lineName(n), fmt.Sprintf("cable %d", n)))
	}
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the bench ended with: %v", err)
		}
		for _, s := range b.sessions {
			s.Stop()
		}
		for _, j := range b.jacks {
			j.Close()
		}
		readers.Wait()
	})
	return b
}

// carry takes what the host types to the unit at the cable's far end.
func (b *batch) carry(line string) {
	buf := make([]byte, 256)
	for {
		n, err := b.jacks[line].Read(buf)
		if err != nil {
			return
		}
		b.mu.Lock()
		at := b.ends[line]
		b.mu.Unlock()
		if at == nil {
			continue
		}
		select {
		case at.in <- slices.Clone(buf[:n]):
		case <-at.closed:
		}
	}
}

// plug takes a cable to a shelf, and switches the shelf on.
func (b *batch) plug(cable int, unit string, faults sim.Faults) {
	b.t.Helper()
	u, err := b.sheet.Plan.Unit(unit)
	must(b.t, err)
	line := lineName(cable)
	f := &far{in: make(chan []byte, 64), closed: make(chan struct{}), line: line, b: b}
	b.mu.Lock()
	b.ends[line] = f
	b.mu.Unlock()
	b.units[unit] = b.simulated(u)
	b.sessions[unit+" on "+line] = sim.Start(b.ctx, b.units[unit], f, sim.Options{Seed: uint64(cable), Faults: faults, Paced: true, Settings: b.settings()})
}

func (b *batch) settings() console.Settings {
	s := console.Default
	s.Speed = b.speed
	return s
}

func (b *batch) simulated(u *plan.Unit) sim.Unit {
	value := func(name string) string {
		v, err := b.secrets.Secret(name)
		must(b.t, err)
		return v
	}
	f := u.Values["factory"].(script.FactoryValues)
	c := sim.Config{Serial: u.Serial, FactoryUser: f.User, FactorySecret: value(f.Secret.Name), Scale: b.scale}
	if k := u.Values["cluster"].(script.ClusterValues); k.Mode == "join" {
		refs := u.Values["secret"].(map[string]script.SecretRef)
		c.Clusters = []sim.Cluster{{Name: k.Name, Address: k.Address, Members: 1, Secret: value(refs[plan.JoinRole].Name)}}
	}
	return sim.NewS24(c)
}

func (b *batch) line(cable int) bench.Line {
	l, err := b.daemon.Line(lineName(cable))
	must(b.t, err)
	return l
}

// mostLooks is how often a unit may need a person to have it looked at again.
const mostLooks = 5

// overcome releases a hold that the test has not caused as a person would, who
// sees that the unit is only slow: on a machine that is busy with other things
// a unit may be silent, or late, for longer than its dialogue allows. What
// comes of it is checked all the same.
func (b *batch) overcome(l bench.Line) {
	b.t.Helper()
	b.mu.Lock()
	b.looked[l.Unit]++
	looks := b.looked[l.Unit]
	b.mu.Unlock()
	if looks > mostLooks || !slices.Contains(l.Hold.Choices, "again") {
		b.t.Fatalf("%s holds on %s: %s", l.Unit, l.ID, l.Hold.Reason)
	}
	b.t.Logf("%s is looked at again; it held: %s", l.Unit, l.Hold.Reason)
	err := b.daemon.Release(b.ctx, bench.Person{Name: "Robin"}, l.Hold.ID, bench.Release{Choice: "again"})
	if err != nil && !errors.Is(err, bench.ErrReleased) && !errors.Is(err, bench.ErrNoHold) { // it may have lifted
		b.t.Fatal(err)
	}
}

// asks tells whether a hold is the one that the test has caused.
func asks(l bench.Line) bool {
	return l.State == bench.Holding && l.Hold != nil && strings.Contains(l.Hold.Reason, sim.UnknownPrompt)
}

// untilAsked waits for the hold that the test has caused on a cable.
func (b *batch) untilAsked(cable int) {
	b.t.Helper()
	b.until(cable, "on hold", func(l bench.Line) bool {
		if l.State == bench.Holding && l.Hold != nil && !asks(l) {
			b.overcome(l)
		}
		return asks(l)
	})
}

// until waits for a line to be as it should.
func (b *batch) until(cable int, what string, is func(bench.Line) bool) bench.Line {
	b.t.Helper()
	for end := time.Now().Add(10 * time.Minute); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if l := b.line(cable); is(l) {
			return l
		}
	}
	b.t.Fatalf("cable %d never came to be %s; it is %+v", cable, what, b.line(cable))
	return bench.Line{}
}

func pageOf(cable int) string { return "/lines/" + url.PathEscape(lineName(cable)) }

func shelf(n int) string { return fmt.Sprintf("shelf-%02d", n) }

// deaf are watchers that ask for all that changes, and read none of it.
func deaf(t testing.TB, d api.Deps, base string, n int) {
	t.Helper()
	_, token, err := d.Gate.MakeToken(robin, "deaf", access.Roles{access.Look}, time.Hour)
	must(t, err)
	host := strings.TrimPrefix(base, "http://")
	for range n {
		for _, path := range []string{"/api/changes", "/api/lines/" + url.PathEscape(lineName(1)) + "/screen"} {
			c, err := net.Dial("tcp", host)
			must(t, err)
			t.Cleanup(func() { c.Close() })
			_, err = fmt.Fprintf(c, "GET %s HTTP/1.1\r\nHost: %s\r\nAuthorization: Bearer %s\r\n\r\n", path, host, token)
			must(t, err)
		}
	}
}

// TestBatch brings sixteen shelves up on eight cables from the pages: all are
// allowed, two holds are released by hand, a third unit is taken over and typed
// on, a wrong chassis is sorted out, a replay is scrubbed, and the pack is
// fetched. The lines are at 9600; the shelves' own pauses are shorter than they
// are, unless LINEHAND_TRUE_SPEED=1.
func TestBatch(t *testing.T) {
	chromium(t)
	dir := t.TempDir()
	profile, data, records := batchSite(t, dir), filepath.Join(dir, "data"), filepath.Join(dir, "records")
	must(t, os.MkdirAll(records, 0o700))
	r := startBatch(t, profile, data, records)
	d := deps(t, r.daemon, r.sheet, profile, data, records)
	base, link := serve(t, d)
	b := open(t, base, link)
	b.look(1280, 900, false)
	deaf(t, d, base, 4) // they must slow nothing
	begun := time.Now()
	unknown := sim.Faults{UnknownAfter: 5}
	r.plug(1, shelf(1), sim.Faults{})
	r.plug(2, shelf(2), sim.Faults{WrongSerial: "BW24-0999"})
	r.plug(3, shelf(3), unknown)
	r.plug(4, shelf(4), unknown)
	r.plug(5, shelf(5), unknown)
	for n := 6; n <= cables; n++ {
		r.plug(n, shelf(n), sim.Faults{})
	}
	b.visit("/")
	b.until(5*time.Minute, "all are recognised", `document.querySelectorAll(".card.s-mat.needing").length === 7 && document.querySelectorAll(".card.s-unm").length === 1`)
	b.shot("batch-recognised", true)
	r.sortOut(b)
	b.visit("/")
	b.click(`.bar form:last-child button`)
	b.until(patience, "it asks first", `document.getElementById("ask").open`)
	b.keys(kb.Tab)
	b.keys(kb.Enter)
	b.said("All units of the plan are allowed.")
	r.decide(b, 3)
	r.decide(b, 4)
	r.takeOver(b, 5)
	b.visit("/")
	r.moveCables()
	for n := 1; n <= cables; n++ {
		r.until(n, "finished", func(l bench.Line) bool {
			if l.State == bench.Holding && l.Hold != nil {
				r.overcome(l)
			}
			return l.State == bench.Finished && l.Unit == shelf(n+cables)
		})
	}
	b.until(patience, "all are finished", `document.querySelectorAll(".card.s-fin").length === 8`)
	b.shot("batch-finished", true)
	took := time.Since(begun)
	t.Logf("%d shelves on %d cables at %d bit/s, pauses × %g: %s from switching on to the last one finished", shelves, cables, r.speed, r.scale, took.Round(100*time.Millisecond))
	r.check()
	replay(t, b)
	fetchPack(t, b)
}

// sortOut: the chassis on cable 2 is none of the plan. Matching it is refused
// with the reason, and the cable goes to the planned one.
func (r *batch) sortOut(b *browser) {
	r.t.Helper()
	b.visit(pageOf(2))
	b.until(patience, "it says what is there", `document.getElementById("now").textContent.includes("BW24-0999")`)
	b.do("choose", selectOption(`.match select`, shelf(2)))
	b.click(`.match button`)
	b.said("The plan gives the unit another serial number")
	b.shot("batch-wrong-chassis", true)
	r.plug(2, shelf(2), sim.Faults{})
	b.until(5*time.Minute, "the planned one is recognised", `document.getElementById("now").textContent.includes("recognised") && document.querySelector("h1").textContent.includes("shelf-02")`)
}

// decide releases the hold on a cable by typing what the unit asks for.
func (r *batch) decide(b *browser, cable int) {
	r.t.Helper()
	r.untilAsked(cable)
	b.visit("/")
	b.until(patience, "the hold stands first", fmt.Sprintf(`document.querySelector("#needing-h ~ .cards .card.s-hold") && document.querySelector("[data-line='%s'].s-hold a.button")`, lineName(cable)))
	b.click(fmt.Sprintf(`[data-line='%s'] a.button`, lineName(cable)))
	b.until(patience, "the hold is there", `document.getElementById("hold") && location.hash === "#hold"`)
	if cable == 3 {
		b.shot("batch-hold", true)
	}
	b.fill("#hand", "3")
	b.click("#hand + button")
	b.said("It was typed.")
	b.until(patience, "it goes on", `!document.getElementById("hold")`)
}

// takeOver types what the unit asks for on its line, and gives the line back.
func (r *batch) takeOver(b *browser, cable int) {
	r.t.Helper()
	r.untilAsked(cable)
	b.visit(pageOf(cable))
	b.click("#take-over button")
	b.until(patience, "the field has the focus", `document.activeElement.id === "typed"`)
	b.keys("3")
	b.until(patience, "the unit shows what was typed", `/3\s*$/.test(document.getElementById("screen").textContent)`)
	b.until(patience, "it says who types, and how to give the line back", `document.getElementById("give-back") && !document.getElementById("take-over") && !document.getElementById("hold")`)
	b.shot("batch-taken-over", true)
	b.keys(kb.Enter)
	b.until(patience, "the unit goes on", `!/3\s*$/.test(document.getElementById("screen").textContent)`)
	b.click("#give-back button")
	b.said("The line is given back.")
	l := r.until(cable, "given back", func(l bench.Line) bool { return l.TakenBy == "" })
	if l.State == bench.Finished {
		r.t.Errorf("after the take-over the run is over: %+v", l.Ending)
	}
}

// moveCables takes each cable to its second shelf as soon as the first is
// finished, as the page tells a person to.
func (r *batch) moveCables() {
	r.t.Helper()
	moved := map[int]bool{}
	for end := time.Now().Add(20 * time.Minute); len(moved) < cables; time.Sleep(20 * time.Millisecond) {
		for n := 1; n <= cables; n++ {
			switch l := r.line(n); {
			case l.State == bench.Holding && l.Hold != nil:
				r.overcome(l)
			case moved[n] || l.State != bench.Finished:
			case l.Ending.Code != "done":
				r.t.Fatalf("%s ended as %s: %s", l.Unit, l.Ending.Code, l.Ending.Sentence)
			default:
				r.ends[lineName(n)].Close()
				r.plug(n, shelf(n+cables), sim.Faults{})
				moved[n] = true
			}
		}
		if time.Now().After(end) {
			r.t.Fatalf("only %d cables were moved: %+v", len(moved), r.daemon.Lines())
		}
	}
}

// check sees to it that each shelf is as planned, and that none was asked for
// anything twice.
func (r *batch) check() {
	r.t.Helper()
	for n := 1; n <= shelves; n++ {
		u, err := r.sheet.Plan.Unit(shelf(n))
		must(r.t, err)
		holds := r.units[u.Name].Holds()
		if holds["configured"] != "yes" || holds["name"] != u.Name || holds["ports.e0.address"] != u.Planned["ports.e0.address"] {
			r.t.Errorf("%s holds %v", u.Name, holds)
		}
		l := r.line((n-1)%cables + 1)
		if n > cables && (l.Unit != u.Name || l.Ending == nil || l.Ending.Code != "done") {
			r.t.Errorf("%s is on a line that stands as %+v", u.Name, l)
		}
	}
}

// replay looks at a record: who typed by hand, and a screen in its midst.
func replay(t *testing.T, b *browser) {
	t.Helper()
	b.visit("/records?unit=" + shelf(5))
	b.click(".records a")
	b.until(patience, "the player is there", `document.getElementById("player") && !document.getElementById("player").hidden`)
	text := js[string](b, `document.body.textContent`)
	wantWords(t, "the record of the unit that was taken over", text, "Robin", "as planned", shelf(5))
	first := js[string](b, `document.getElementById("screen").textContent.trim()`)
	js[bool](b, `(() => { const t = document.getElementById("time"); t.value = String(Number(t.max) * .6); t.dispatchEvent(new Event("input")); return true })()`)
	half := js[string](b, `document.getElementById("screen").textContent.trim()`)
	if half == first || half == "" {
		t.Errorf("the scrubber shows nothing else: %q", half)
	}
	b.do("choose a speed", selectOption("#speed", "16"))
	b.click("#play")
	b.until(patience, "it plays", fmt.Sprintf(`document.getElementById("screen").textContent.trim() !== %s`, quote(half)))
	b.shot("batch-record", true)
	for _, f := range js[faults](b, faultsScript).Faults {
		t.Errorf("the record: %s", f)
	}
}

// fetchPack makes the pack of all units, and fetches it as a browser would.
func fetchPack(t *testing.T, b *browser) {
	t.Helper()
	b.visit("/handover")
	if n := js[int](b, `document.querySelectorAll("input[name=records]:checked").length`); n != shelves {
		t.Errorf("%d records are chosen beforehand, want one for each of %d units", n, shelves)
	}
	b.click("#make .bar button")
	b.until(2*time.Minute, "the pack is made", `!document.getElementById("made").hidden`)
	b.shot("batch-pack", true)
	at := js[string](b, `document.getElementById("made-zip").getAttribute("href")`)
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	encoded, err := chromedp.Run(ctx, chromedp.Evaluate[string](`fetch(`+quote(at)+`).then((a) => a.ok ? a.blob() : Promise.reject(new Error(String(a.status)))).then((blob) => new Promise((done) => { const r = new FileReader(); r.onload = () => done(r.result.split(",")[1]); r.readAsDataURL(blob); }))`, chromedp.EvalAwaitPromise))
	must(t, err)
	data, err := base64.StdEncoding.DecodeString(encoded)
	must(t, err)
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	must(t, err)
	var names []string
	for _, f := range z.File {
		_, name, _ := strings.Cut(f.Name, "/")
		names = append(names, name)
	}
	for _, want := range []string{"handover.pdf", "handover.html", "register/punch-list.csv", "manifest.sha256"} {
		if !slices.Contains(names, want) {
			t.Errorf("the pack has no %s; it has %q", want, names)
		}
	}
}
