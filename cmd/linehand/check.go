package main

import (
	"context"
	"encoding/json"
	"io"
	"os"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/page"
	"linehand/cmd/internal/printout"
	"linehand/cmd/internal/station"
	"linehand/script/plan/sums"
	"linehand/script/secret"
	"linehand/script/site"
)

// checking is a check with its options.
type checking struct {
	*app
	dialogues []string
	strict    bool
	json      bool
	brief     bool
	html      string
	rise      float64
	altitude  float64
	rehearse  bool
}

func (a *app) checkCommand() *cobra.Command {
	c := &checking{app: a}
	cmd := &cobra.Command{
		Use:   "check [PROFILE…]",
		Short: "Check site profiles, their sums and dialogues, without a unit",
		Long: `check reads each profile, makes the plan, works out its sums (racks, power and
heat, lifting, disks, the visit's schedule), and checks the dialogue of every
unit against its values. It opens no line, and reads no secret unless --secrets
is given. Problems come first, the worst before the others, each with its place,
its reason and how to mend it; then the plan.

Figures of power, heat and lifting are estimates from what the profile states.
Defer to local codes and licensed practice.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 && a.set.Profile != "" {
				args = []string{a.set.Profile}
			}
			return c.run(cmd.Context(), args)
		},
	}
	f := cmd.Flags()
	f.StringSliceVar(&c.dialogues, "dialogue", nil, "check this dialogue `FILE`, and use it in place of the profile's own of that name")
	f.BoolVar(&c.strict, "secrets", false, "read the secrets that nobody has to be asked for, and check them against the units' rules; one that cannot be had is an error")
	f.BoolVar(&c.json, "json", false, "print what was found as JSON")
	f.StringVar(&c.html, "html", "", "write what was found, the plan and its drawings as one HTML page to `FILE`")
	f.BoolVar(&c.brief, "brief", false, "print the problems and not the plan")
	f.BoolVar(&c.rehearse, "rehearse", false, "rehearse the units of sound profiles, as fast as they go, and name the prompts of their dialogues that no rehearsal meets")
	f.Float64Var(&c.rise, "rise", sums.UsualRise, "how much warmer the air may leave than it comes, in `°C`")
	f.Float64Var(&c.altitude, "altitude", 0, "of the site, in `m` above sea level")
	addVaultFlags(cmd)
	return cmd
}

func (c *checking) run(ctx context.Context, profiles []string) error {
	switch {
	case len(profiles) == 0 && len(c.dialogues) == 0:
		return usage("linehand check PROFILE, or linehand check --dialogue FILE", "nothing was named to check")
	case !(c.rise > 0 && c.rise <= 100):
		return usage("11 °C is usual", "a temperature rise of %g °C cannot be reckoned with", c.rise)
	case !(c.altitude >= -500 && c.altitude <= 9000):
		return usage("write metres above sea level", "an altitude of %g m cannot be reckoned with", c.altitude)
	}
	if c.html != "" && len(profiles) > 1 {
		return usage("check the profiles one by one", "one page is for one profile, and %d were named", len(profiles))
	}
	if len(profiles) == 0 {
		profiles = []string{""}
	}
	o := station.Options{Secrets: station.Warning, Dialogues: c.dialogues, Rise: c.rise, Altitude: c.altitude}
	if c.strict {
		o.Secrets = station.Error
		o.Store = func(s *site.Site) *secret.Store { return secret.Open(s.Secrets, c.vaultOptions(ctx, s)) }
	}
	code := exitFine
	var reports []station.Report
	for _, profile := range profiles {
		r := station.Check(profile, o)
		reports = append(reports, r)
		if !r.Sound {
			code = exitInput
		}
	}
	if c.html != "" {
		if err := c.save(c.html, func(w io.Writer) error { return page.Write(w, reports[0]) }); err != nil {
			return err
		}
	}
	if c.json {
		if err := printJSON(c.out, reports); err != nil {
			return err
		}
		return outcome(code)
	}
	for _, r := range reports {
		printout.Printout{W: c.out, Colour: colourful(c.out), Brief: c.brief}.Report(r)
		if c.rehearse && r.Sound && r.Profile != "" {
			if err := c.unmet(ctx, r.Profile); err != nil {
				return err
			}
		}
	}
	return outcome(code)
}

// colourful tells whether w shows colours and the person wants them
// (no-color.org).
func colourful(w any) bool { return isTerminal(w) && os.Getenv("NO_COLOR") == "" }

// printJSON prints v for machines.
func printJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
