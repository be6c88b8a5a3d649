package visit_test

import (
	"context"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"linehand/script/engine"
	"linehand/script/player"
	"linehand/script/visit"
	"linehand/transcript"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func good() rig {
	return rig{
		unit:   &shelf{serial: "BW-1", link: "up", booting: 40 * time.Second, self: 100 * time.Second},
		net:    &net{near: true, target: true, log: "deep-1 test", prints: []string{"SHA256:page", "SHA256:page"}, accept: map[string]bool{"new-one": true}},
		person: &person{},
	}
}

func TestFromTheCrateToTheSignOff(t *testing.T) {
	o := good().play(t)
	o.want(t, "done", "set up and proved", "values read back as planned")
	wantList(t, "parts", o.list(transcript.Phase), "before begun", "before over done", "first boot begun", "first boot over done",
		"waiting begun", "waiting over done", "proof begun", "proof over already", "after begun", "after over done",
		"punch list begun", "punch list over done", "sign-off begun", "sign-off over done")
	wantList(t, "steps", o.list(transcript.Step), "unpack ticked RK", "strap ticked RK", "indicators ticked RK", "bezel ticked RK")
	wantList(t, "punch list", o.list(transcript.Punch))
	wantList(t, "signed", o.list(transcript.SignOff), "RK")
	wantList(t, "looks", o.list(transcript.Look), "address of e0 free",
		"page of deep-1 waiting", "e1 of deep-1 waiting", "page of deep-1 answers", "e1 of deep-1 answers",
		"page of deep-1 answers", "e1 of deep-1 answers", "messages at the log target answers")
	for _, e := range o.events {
		if e.Kind == transcript.Step && e.Name == "strap" && (e.Code != "required" || e.Next != "Static kills boards. (IEC 61340-5-1)") {
			t.Errorf("the step's caution is %q, %s", e.Next, e.Code)
		}
		if e.Kind == transcript.Note && e.Code == "boot" && !strings.HasPrefix(e.Text, "first byte heard after 40.0 s, first prompt answered 100.") {
			t.Errorf("the boot is noted as %q", e.Text)
		}
	}
	wantList(t, "facts", o.list(transcript.Fact), "serial", "host_key", "memory", "certificate of page of deep-1", "serial", "host_key")
}

func TestASecondVisitChangesNothing(t *testing.T) {
	r := good()
	r.unit.name = "deep-1"
	r.play(t).want(t, "already")
}

func TestStepsOneAtATime(t *testing.T) {
	r := good()
	r.person.steps = map[string][]visit.Answer{
		"unpack": {{State: transcript.PassedBy, By: "RK"}, {State: transcript.Ticked, By: "RK"}},
		"strap":  {{State: visit.Back}, {State: transcript.NotGood, By: "RK", Note: "torn"}, {State: transcript.Ticked, By: "RK"}},
	}
	r.person.holds = []player.Choice{player.Again}
	o := r.play(t)
	o.want(t, "done")
	wantList(t, "asked", r.person.asked, "unpack", "strap", "unpack", "strap", "strap", "indicators", "bezel")
	wantList(t, "steps", o.list(transcript.Step), "unpack passed by RK", "unpack ticked RK", "strap not good RK torn", "strap ticked RK", "indicators ticked RK", "bezel ticked RK")
	wantList(t, "holds", o.list(transcript.Hold), "raised step-not-good", "released again")
}

func TestARequiredStepThatIsNotGoodIsAHold(t *testing.T) {
	not := visit.Answer{State: transcript.NotGood, By: "RK", Note: "torn"}
	r := good()
	r.person.steps = map[string][]visit.Answer{"strap": {not}, "bezel": {not}}
	o := r.play(t)
	o.want(t, "held", "torn")
	wantList(t, "parts", o.list(transcript.Phase), "before begun", "before over held")
	wantList(t, "signed", o.list(transcript.SignOff))

	r = good()
	r.person.steps = map[string][]visit.Answer{"strap": {{State: transcript.PassedBy, By: "RK"}}, "bezel": {not}}
	r.person.holds = []player.Choice{visit.GoOn}
	o = r.play(t)
	o.want(t, "open", "2 points are open")
	wantList(t, "punch list", o.list(transcript.Punch), "strap site staff 2026-12-01", "bezel site staff 2026-12-01")
}

func TestQuickTicksTheListTogether(t *testing.T) {
	r := good()
	r.more = func(v *visit.Visit) { v.Quick = true }
	o := r.play(t)
	o.want(t, "done")
	wantList(t, "steps", o.list(transcript.Step), "unpack ticked RK ticked from the list", "strap ticked RK ticked from the list",
		"indicators ticked RK ticked from the list", "bezel ticked RK ticked from the list")
}

func TestNobodyThere(t *testing.T) {
	for name, r := range map[string]rig{"nobody": {}, "left": {person: &person{leaves: true}}} {
		g := good()
		g.person = r.person
		o := g.play(t)
		o.want(t, "held", "Step", "strap", "nobody is there")
		wantList(t, name, o.list(transcript.Step), "unpack shown", "strap shown", "indicators shown")
	}
	g := good()
	g.person = nil
	g.more = func(v *visit.Visit) { v.Before[1].Required = false; v.ClosesBy, v.By = "office", "2026-12-24" }
	g.unit.link = "down"
	o := g.play(t)
	o.want(t, "differs")
	wantList(t, "punch list", o.list(transcript.Punch), "link of e1 office 2026-12-24")
	wantList(t, "signed", o.list(transcript.SignOff))
}

func TestBeginsAtAPart(t *testing.T) {
	r := good()
	r.unit.name = "deep-1"
	r.more = func(v *visit.Visit) { v.From = visit.Proof }
	o := r.play(t)
	o.want(t, "already")
	if got := o.list(transcript.Phase)[0]; got != "proof begun" {
		t.Errorf("it begins with %s", got)
	}
	r.more = func(v *visit.Visit) { v.From = "lunch" }
	if _, err := r.visit(t, "deep-1", nil).Run(t.Context()); err == nil || !strings.Contains(err.Error(), "first boot") {
		t.Errorf("an unknown part: %v", err)
	}
}

func TestTicksOfAnEarlierRecordCount(t *testing.T) {
	for _, counts := range []bool{true, false} {
		r := good()
		r.person.counts = counts
		r.more = func(v *visit.Visit) {
			v.Earlier = &visit.Earlier{Record: "a.record", Ended: "held", Done: []visit.Part{visit.FirstBoot},
				Ticked: map[string]visit.Answer{visit.StepKey(visit.Before, "strap"): {State: transcript.Ticked, By: "MS"}}}
		}
		o := r.play(t)
		o.want(t, "done")
		if asked := strings.Contains(strings.Join(r.person.asked, " "), "strap"); asked == counts {
			t.Errorf("counts %v: asked %v", counts, r.person.asked)
		}
		if counts {
			wantList(t, "steps", o.list(transcript.Step)[:1], "strap ticked MS ticked in the earlier record")
		}
		// The unit has its addresses by the earlier record.
		wantList(t, "probes", o.list(transcript.Look)[:1], "page of deep-1 waiting")
	}
}

func TestAnAddressThatIsInUseIsAHold(t *testing.T) {
	r := good()
	r.net.inUse = map[string]bool{"192.0.2.21": true}
	o := r.play(t)
	o.want(t, "held", "192.0.2.21", "02:00:5e:00:53:01")
	if r.unit.name != "" {
		t.Error("the unit was given its address")
	}
	for _, e := range o.events {
		if e.Kind == transcript.Said {
			t.Errorf("something was typed: %v", e.Data)
		}
	}
}

func TestAUnitThatDoesNotServeIsAHold(t *testing.T) {
	r := good()
	r.net.silent = map[string]bool{"192.0.2.22": true}
	r.person.holds = []player.Choice{player.Again, visit.GoOn}
	o := r.play(t)
	o.want(t, "open", "e1 of deep-1 does not answer")
	wantList(t, "holds", o.list(transcript.Hold), "raised does-not-serve", "released again", "raised does-not-serve", "released go-on")
	wantList(t, "punch list", o.list(transcript.Punch), "e1 of deep-1 site staff 2026-12-01")
}

func TestTheProofFindsWhatIsWrong(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(*rig)
		how   string
		words string
	}{
		"port down":           {func(r *rig) { r.unit.link = "down" }, "differs", `link of e1 reads back as "down"`},
		"certificate changed": {func(r *rig) { r.net.prints = []string{"SHA256:page", "SHA256:other"} }, "differs", "the certificate of page of deep-1 is another than before"},
		"host key": {func(r *rig) {
			r.net.keys = "SHA256:abd"
			r.more = func(v *visit.Visit) {
				v.Ports = append(v.Ports, visit.Look{Name: "shell of deep-1", Address: v.Ports[0].Address, By: "ssh", Port: 22})
			}
		}, "differs", "the host key of shell of deep-1 is another than before"},
		"factory sign-in": {func(r *rig) { r.net.accept["old-one"] = true }, "differs", `factory sign-in over SSH reads back as "accepted"`},
		"new sign-in":     {func(r *rig) { r.net.accept["new-one"] = false }, "differs", `new sign-in over SSH reads back as "refused"`},
		"deaf log target": {func(r *rig) { r.net.log = "" }, "open", "no message of deep-1 has come to the log target"},
		"log target unseen": {func(r *rig) {
			r.net.target = false
			r.person.steps = map[string][]visit.Answer{"messages at the log target": {{State: transcript.NotGood, By: "RK", Note: "none"}}}
		}, "open", "nobody has seen that the log target"},
	} {
		t.Run(name, func(t *testing.T) {
			r := good()
			c.spoil(&r)
			o := r.play(t)
			o.want(t, c.how, c.words)
			if len(o.list(transcript.Punch)) != 1 {
				t.Errorf("punch list: %q", o.list(transcript.Punch))
			}
		})
	}
}

func TestAFirstBootThatDiffersIsAHold(t *testing.T) {
	r := good()
	r.unit.wrong = "deep-9"
	o := r.play(t)
	o.want(t, "differs")
	wantList(t, "parts", o.list(transcript.Phase), "before begun", "before over done", "first boot begun", "first boot over differs")
	wantList(t, "punch list", o.list(transcript.Punch), "name")
}

func TestSilenceSaysWhatToLookAt(t *testing.T) {
	r := good()
	r.unit.dead = true
	var told []string
	r.more = func(v *visit.Visit) { v.Watch = func(p player.Progress) { told = append(told, p.Text) } }
	o := r.play(t)
	o.want(t, "silent")
	if len(r.person.held) != 1 || !strings.Contains(r.person.held[0].Advice, "null-modem") || !strings.Contains(r.person.held[0].Advice, "A red light") {
		t.Errorf("the hold advises %+v", r.person.held)
	}
	if text := strings.Join(told, "\n"); !strings.Contains(text, "nothing heard for 30s. Check that the unit has power") {
		t.Errorf("meanwhile it says\n%s", text)
	}
}

func TestBootShowsHowFarItIs(t *testing.T) {
	r := good()
	var told []string
	r.more = func(v *visit.Visit) {
		v.Boot = 90 * time.Second
		v.Watch = func(p player.Progress) { told = append(told, p.Part+": "+p.Text) }
	}
	r.play(t).want(t, "done")
	text := strings.Join(told, "\n")
	for _, want := range []string{"first boot: nothing heard yet", "first boot: booting for 1m0s of about 1m30s; host_key SHA256:abc", "waiting: 2 of 2 answer; e1 of deep-1 after 3s"} {
		if !strings.Contains(text, want) {
			t.Errorf("it does not say %q:\n%s", want, text)
		}
	}
}

// TestWhatIsNotLookedAtIsSaid: a bench elsewhere proves less, and says so.
func TestWhatIsNotLookedAtIsSaid(t *testing.T) {
	r := good()
	r.net.near = false
	r.net.unseen = map[string]bool{"192.0.2.22": true}
	o := r.play(t)
	o.want(t, "done", "proved; 1 planned address was not looked at from this bench;")
	said := false
	for _, e := range o.events {
		said = said || e.Code == "bench-elsewhere" && strings.Contains(e.Text, "no address in the subnet of 192.0.2.21")
	}
	if !said {
		t.Error("it does not say that the bench is elsewhere")
	}
}

// TestAShellBeginsAnew: a stage that a fresh session does not meet had no need
// to be met; on a console it was not witnessed.
func TestAShellBeginsAnew(t *testing.T) {
	const signIn = "  - stage: sign in\n    looks: true\n    exchanges:\n      - {prompt: 'Sign in:', answer: x, sometimes: true}\n"
	for fresh, want := range map[bool]string{true: "left out", false: "unseen"} {
		r := good()
		r.more = func(v *visit.Visit) {
			v.Proof.Dialogue = dialogue(t, strings.Replace(proof, "stages:\n", "stages:\n"+signIn, 1))
			v.Proof.Fresh = fresh
		}
		o := r.play(t)
		o.want(t, "done")
		if got := strings.Join(o.list(transcript.Stage), ", "); !strings.Contains(got, "sign in "+want) {
			t.Errorf("fresh %v: %s", fresh, got)
		}
	}
}

func TestStopsSafelyAtAnyMoment(t *testing.T) {
	// The moments are spread over the whole visit, which takes 150 s.
	for _, after := range []time.Duration{0, time.Millisecond, 20 * time.Second, 60 * time.Second, 140100 * time.Millisecond, 141 * time.Second, 200 * time.Second, 6 * time.Minute} {
		path := filepath.Join(t.TempDir(), "visit.record")
		synctest.Test(t, func(t *testing.T) {
			r := good()
			r.net.silent = map[string]bool{"192.0.2.22": true} // a minute's wait
			j, err := transcript.Create(path, transcript.Header{Unit: "deep-1"}, nil)
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithTimeout(t.Context(), after)
			defer cancel()
			end, err := r.visit(t, "deep-1", j).Run(ctx)
			if err != nil {
				t.Fatal(err)
			}
			r.unit.served.Wait()
			if want := engine.Stopped; end.How != want && after < 200*time.Second {
				t.Errorf("after %s it ended as %s: %s", after, end.How, end.Sentence)
			}
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
		})
		if rec, err := transcript.Read(path); err != nil || rec.Fault != nil {
			t.Errorf("stopped after %s: %v, %v", after, err, rec.Fault)
		}
	}
}

func TestALaterProofClosesWhatIsOpen(t *testing.T) {
	r := good()
	r.unit.name = "deep-1"
	r.person.steps = map[string][]visit.Answer{"bezel": {{State: transcript.PassedBy, By: "RK"}}}
	r.more = func(v *visit.Visit) {
		v.Only = []visit.Part{visit.Proof}
		v.Closes = []visit.Point{{Name: "link of e1", Code: "readback", Text: "link of e1 was down"}, {Name: "strap", Code: "step", Text: "the strap was torn"}, {Name: "bezel", Code: "step", Text: "no bezel"}}
	}
	o := r.play(t)
	o.want(t, "open", "no bezel")
	wantList(t, "punch list", o.list(transcript.Punch), "link of e1 closed", "strap closed RK", "bezel site staff 2026-12-01")
}

// TestTurns: the one that joins waits for the one that starts, and both for
// the proof until the other serves.
func TestTurns(t *testing.T) {
	for _, fails := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			turns := visit.NewTurns([][]string{{"deep-1", "deep-2"}})
			var set []string
			ends := map[string]engine.Ending{}
			recs := map[string]*transcript.Record{}
			type result struct {
				name string
				end  engine.Ending
				path string
			}
			results := make(chan result, 2)
			for i, name := range []string{"deep-2", "deep-1"} {
				r := good()
				r.unit.onSet = func() { set = append(set, name) }
				if name == "deep-1" {
					r.unit.dead = fails
				}
				r.more = func(v *visit.Visit) { v.Turns = turns }
				path := filepath.Join(t.TempDir(), "visit.record")
				j, err := transcript.Create(path, transcript.Header{Unit: name}, nil)
				if err != nil {
					t.Fatal(err)
				}
				v := r.visit(t, name, j)
				go func() {
					time.Sleep(time.Duration(i) * time.Second) // the one that joins comes first
					end, err := v.Run(t.Context())
					if err != nil {
						t.Error(err)
					}
					r.unit.served.Wait()
					j.Close()
					results <- result{name, end, path}
				}()
			}
			for range 2 {
				got := <-results
				ends[got.name] = got.end
				rec, err := transcript.Read(got.path)
				if err != nil {
					t.Fatal(err)
				}
				recs[got.name] = rec
			}
			if fails {
				if ends["deep-1"].How != engine.Silent || ends["deep-2"].How != engine.Held || !strings.Contains(ends["deep-2"].Sentence, "needs deep-1 first") {
					t.Errorf("ended as %+v", ends)
				}
				wantList(t, "set up", set)
				return
			}
			if ends["deep-1"].How != engine.Done || ends["deep-2"].How != engine.Done {
				t.Errorf("ended as %+v", ends)
			}
			wantList(t, "set up", set, "deep-1", "deep-2")
			proved := at(recs["deep-1"], "proof")
			if serves := at(recs["deep-2"], "waiting"); proved.Before(serves) {
				t.Errorf("deep-1 is proved at %s, and deep-2 begins to serve at %s", proved, serves)
			}
		})
	}
}

// at is when a part was over.
func at(rec *transcript.Record, part string) (when time.Time) {
	for _, e := range rec.Events {
		if e.Kind == transcript.Phase && e.Name == part && e.State == transcript.Over {
			when = e.Wall
		}
	}
	return when
}
