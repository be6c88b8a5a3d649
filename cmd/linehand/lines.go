package main

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"linehand/console/ports"
)

// lineFound is a port for machines.
type lineFound struct {
	Device       string `json:"device"`
	Identity     string `json:"identity"`
	Driver       string `json:"driver,omitempty"`
	Vendor       string `json:"usb_vendor,omitempty"`
	Product      string `json:"usb_product,omitempty"`
	Maker        string `json:"maker,omitempty"`
	Model        string `json:"model,omitempty"`
	SerialNumber string `json:"adapter_serial,omitempty"`
	USBPath      string `json:"usb_path,omitempty"`
}

func (a *app) linesCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "lines",
		Short: "List the serial ports of this machine, without opening one",
		Long: `lines lists the serial ports with the USB identity and the serial number of
their adapters. The identity in the second column names a port for good: it
can stand wherever a line is asked for, and outlives unplugging.`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return a.lines(asJSON) },
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the list as JSON")
	return cmd
}

func (a *app) lines(asJSON bool) error {
	list, err := ports.List()
	if err != nil {
		return err
	}
	found := []lineFound{}
	for _, p := range list {
		found = append(found, lineFound{p.Device, p.Identity(), p.Driver, p.Vendor, p.Product, p.Maker, p.Model, p.SerialNumber, p.USBPath})
	}
	if asJSON {
		return printJSON(a.out, found)
	}
	if len(found) == 0 {
		fmt.Fprintln(a.out, "no serial port was found; plug an adapter in, or look whether the system knows it")
		return nil
	}
	t := tabwriter.NewWriter(a.out, 0, 8, 2, ' ', 0)
	fmt.Fprintln(t, "DEVICE\tIDENTITY\tADAPTER\tSERIAL NUMBER")
	for _, l := range found {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", l.Device, l.Identity, strings.TrimSpace(l.Maker+" "+l.Model), l.SerialNumber)
	}
	return t.Flush()
}
