package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"github.com/spf13/cobra"

	"linehand/cmd/internal/orders"
	"linehand/transcript"
)

// ordering is the command's own options.
type ordering struct {
	*client
	asJSON   bool
	filing   orders.Filing
	state    string
	allow    string
	before   string
	position string
	bench    string
	why      string
}

func (a *app) orderCommand() *cobra.Command {
	o := &ordering{client: &client{app: a}}
	cmd := &cobra.Command{
		Use: "order", Short: "File, list and steer work orders, from anywhere",
		Long: `order files, lists and steers the work orders of a bench: of the one that runs
here with this data folder, or of one elsewhere by its address and an API token,
and through it of the firm.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	f := cmd.PersistentFlags()
	f.StringVar(&o.url, "url", "", "the bench's `ADDRESS`, such as https://bench.example.net:8470")
	f.StringVar(&o.tokenFile, "token-file", "", "`FILE` with an API token, which only you can read")
	f.StringVar(&o.authority, "ca", "", "`FILE` with the certificates by which the bench's is trusted (default: the system's)")
	f.String("data", "", "the data `FOLDER` of the bench that runs here (default bench-data)")
	f.String("person", "", "`NAME` of who asks, for the record; only at the bench itself")
	f.BoolVar(&o.asJSON, "json", false, "print orders as JSON")
	for _, c := range []*cobra.Command{o.fileCommand(), o.listCommand(), o.allowCommand(), o.moveCommand(), o.withdrawCommand(), o.againCommand()} {
		c.Args = usageArgs(c.Args)
		cmd.AddCommand(c)
	}
	return cmd
}

// fits adds the options that say which orders are meant.
func (o *ordering) fits(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&o.filing.Site, "site", "", "`NAME` of the site")
	f.StringVar(&o.filing.Batch, "batch", "", "`NAME` of the batch")
	f.StringVar(&o.bench, "bench", "", "`NAME` of the bench that is to play it")
	f.StringVar(&o.filing.Serial, "serial", "", "serial `NUMBER` of the unit")
}

func (o *ordering) fileCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "file UNIT…", Short: "File an order for each unit", Args: cobra.MinimumNArgs(1)}
	o.fits(cmd)
	cmd.Flags().StringVar(&o.filing.ID, "id", "", "`ID` of the order: the same ID is the same order, however often it is filed")
	cmd.Flags().StringVar(&o.filing.Kind, "kind", "", "`KIND` of the unit")
	cmd.Flags().StringVar(&o.allow, "allow", "", "let it be played at once: `HOW` is unit, batch or always")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if len(args) > 1 && (o.filing.ID != "" || o.filing.Serial != "") {
			return usage("file them one by one", "--id and --serial are for one unit")
		}
		return o.each(cmd.Context(), args, func(unit string) (string, any) {
			b := map[string]any{"unit": unit}
			for name, text := range map[string]string{"id": o.filing.ID, "site": o.filing.Site, "batch": o.filing.Batch, "bench": o.bench, "serial": o.filing.Serial, "kind": o.filing.Kind, "allowance": o.allow} {
				if text != "" {
					b[name] = text
				}
			}
			return "/api/orders", b
		})
	}
	return cmd
}

func (o *ordering) listCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "list", Short: "List orders, by position", Args: cobra.NoArgs}
	o.fits(cmd)
	var unit string
	cmd.Flags().StringVar(&unit, "unit", "", "`NAME` of the unit")
	cmd.Flags().StringVar(&o.state, "state", "", "orders in this `STATE`: waiting, allowed, playing, holding, done, \"not done\" or withdrawn")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		q := url.Values{"limit": {"10000"}}
		for name, text := range map[string]string{"site": o.filing.Site, "batch": o.filing.Batch, "bench": o.bench, "serial": o.filing.Serial, "unit": unit, "state": o.state} {
			if text != "" {
				q.Set(name, text)
			}
		}
		var list struct {
			All    int
			Orders []json.RawMessage
		}
		if err := o.do(cmd.Context(), http.MethodGet, "/api/orders?"+q.Encode(), nil, &list); err != nil {
			return err
		}
		if list.All > len(list.Orders) {
			fmt.Fprintf(o.errs, "linehand: only the first %d of %d orders are shown\n", len(list.Orders), list.All)
		}
		return o.show(list.Orders)
	}
	return cmd
}

func (o *ordering) allowCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "allow ORDER… | --batch NAME", Short: "Let orders be played"}
	cmd.Flags().StringVar(&o.filing.Batch, "batch", "", "all waiting orders of this `BATCH`")
	cmd.Flags().StringVar(&o.filing.Site, "site", "", "`NAME` of the batch's site")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if (len(args) == 0) == (o.filing.Batch == "") {
			return usage("linehand order allow ORDER…", "name orders, or a batch")
		}
		if o.filing.Batch != "" {
			var list []json.RawMessage
			body := map[string]string{"site": o.filing.Site, "batch": o.filing.Batch}
			if err := o.do(cmd.Context(), http.MethodPost, "/api/batches/allow", body, &list); err != nil {
				return err
			}
			return o.show(list)
		}
		return o.each(cmd.Context(), args, func(id string) (string, any) { return at(id, "allow"), struct{}{} })
	}
	return cmd
}

// at is the path of what is asked of an order.
func at(id, what string) string { return "/api/orders/" + url.PathEscape(id) + "/" + what }

func (o *ordering) moveCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "move ORDER", Short: "Change an order's place in the list, or its bench", Args: cobra.ExactArgs(1)}
	cmd.Flags().StringVar(&o.before, "before", "", "right before this `ORDER`")
	cmd.Flags().StringVar(&o.position, "position", "", "to this `NUMBER`; lower comes first")
	cmd.Flags().StringVar(&o.bench, "bench", "", "to this bench; an empty `NAME` is any")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		b := map[string]any{}
		if o.before != "" {
			b["before"] = o.before
		}
		if o.position != "" {
			n, err := strconv.ParseFloat(o.position, 64)
			if err != nil {
				return usage("--position 10", "--position is a number")
			}
			b["position"] = n
		}
		if cmd.Flags().Changed("bench") {
			b["bench"] = o.bench
		}
		if len(b) == 0 {
			return usage("--before ORDER, --position NUMBER or --bench NAME", "say where to")
		}
		return o.each(cmd.Context(), args, func(id string) (string, any) { return at(id, "move"), b })
	}
	return cmd
}

func (o *ordering) withdrawCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "withdraw ORDER…", Short: "Take orders off; one that is played is ended safely first", Args: cobra.MinimumNArgs(1)}
	cmd.Flags().StringVar(&o.why, "why", "", "one sentence for the record")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return o.each(cmd.Context(), args, func(id string) (string, any) { return at(id, "withdraw"), map[string]string{"why": o.why} })
	}
	return cmd
}

func (o *ordering) againCommand() *cobra.Command {
	return &cobra.Command{Use: "again ORDER…", Short: "Try again what was not done", Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return o.each(cmd.Context(), args, func(id string) (string, any) { return at(id, "again"), nil })
		}}
}

// each asks the same for each of what is named, and shows the orders that came
// of it, also when others were refused.
func (o *ordering) each(ctx context.Context, names []string, ask func(string) (path string, body any)) error {
	list := []json.RawMessage{}
	var refusals []error
	for _, name := range names {
		var order json.RawMessage
		path, body := ask(name)
		if err := o.do(ctx, http.MethodPost, path, body, &order); err != nil {
			if len(names) > 1 {
				o.report(err)
				err = outcome(exitCode(err))
			}
			refusals = append(refusals, err)
			continue
		}
		list = append(list, order)
	}
	if len(list) > 0 || o.asJSON {
		if err := o.show(list); err != nil {
			return err
		}
	}
	if len(refusals) == 1 {
		return refusals[0]
	}
	return errors.Join(refusals...)
}

// show prints orders, as they came or a line each.
func (o *ordering) show(list []json.RawMessage) error {
	if o.asJSON {
		if list == nil {
			list = []json.RawMessage{}
		}
		return printJSON(o.out, list)
	}
	for _, raw := range list {
		var x orders.Order
		if err := json.Unmarshal(raw, &x); err != nil {
			return fmt.Errorf("the bench's answer cannot be read: %w", err)
		}
		line := fmt.Sprintf("%s  %-9s  %s", x.ID, x.State, x.Unit)
		for _, more := range []struct{ word, text string }{{"batch", x.Batch}, {"for", x.Bench}, {"at", x.Player}, {"on", x.Line}} {
			if more.text != "" {
				line += "  " + more.word + " " + more.text
			}
		}
		if x.Ending != nil {
			line += "  " + x.Ending.Sentence
		}
		if x.Behind {
			line += "  (as it was heard of last)"
		}
		fmt.Fprintln(o.out, transcript.Printable(line))
	}
	return nil
}
