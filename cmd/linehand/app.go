package main

import (
	"fmt"
	"io"
	"log"
	"os"
	"runtime/debug"
	"strings"

	"github.com/mattn/go-isatty"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"linehand/cmd/internal/settings"
	"linehand/transcript"
)

// version is set by the linker for a release.
var version = ""

// app is what the commands share.
type app struct {
	in        io.Reader
	out, errs io.Writer

	settingsFile string
	set          settings.Settings
	log          zerolog.Logger
	mask         transcript.Mask        // all secrets that this program has fetched
	unlock       func() (string, error) // gives the passphrase of the bench's key again; nil: a person is asked each time
	still        func(func())           // keeps the board off the terminal; nil while there is none
}

func (a *app) masked(text string) string { return a.mask.Text(text) }

// root is the command line.
func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "linehand",
		Short: "Bring up rack equipment over its serial console",
		Long: `linehand answers the first-boot dialogue of rack equipment over its serial
console, from a site profile that was checked beforehand, and keeps a record of
what was heard and said. It only ever answers a prompt that it knows.`,
		SilenceErrors: true, SilenceUsage: true,
		Args:                       cobra.ArbitraryArgs,
		RunE:                       unknownCommand,
		SuggestionsMinimumDistance: 2,
		PersistentPreRunE:          func(cmd *cobra.Command, _ []string) error { return a.begin(cmd) },
	}
	root.SetIn(a.in)
	root.SetOut(a.out)
	root.SetErr(a.errs)
	root.CompletionOptions.HiddenDefaultCmd = true
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return usage(fmt.Sprintf("linehand help %s lists the options", cmd.Name()), "%v", err)
	})
	root.PersistentFlags().StringVar(&a.settingsFile, "settings", "", "settings `FILE` (default linehand.yaml in this folder, if there is one)")
	root.PersistentFlags().String("log-level", "", "what is logged to standard error: trace, debug, info, warn, error or off")
	for _, cmd := range []*cobra.Command{
		a.rehearseCommand(), a.checkCommand(), a.worksheetCommand(), a.lockCommand(), a.planCommand(), a.vaultCommand(),
		a.bringupCommand(), a.visitCommand(), a.proofCommand(), a.guideCommand(), a.byhandCommand(), a.benchCommand(), a.orderCommand(),
		a.replayCommand(), a.auditCommand(), a.searchCommand(), a.draftCommand(), a.linesCommand(),
		a.schemaCommand(), a.versionCommand(),
		a.exitCodesCommand(),
		a.sealCommand(), a.keysCommand(), a.recordsCommand(), a.handoverCommand(),
	} {
		cmd.Args = usageArgs(cmd.Args)
		root.AddCommand(cmd)
	}
	return root
}

// unknownCommand is what runs when no command is named, or none that there is.
func unknownCommand(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return cmd.Help()
	}
	hint := "linehand help lists the commands"
	if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
		hint = fmt.Sprintf("did you mean %s?", strings.Join(near, " or "))
	}
	return usage(hint, "there is no command %q", args[0])
}

// usageArgs gives wrong arguments the exit code for that.
func usageArgs(check cobra.PositionalArgs) cobra.PositionalArgs {
	if check == nil {
		return nil
	}
	return func(cmd *cobra.Command, args []string) error {
		if err := check(cmd, args); err != nil {
			return usage("usage: "+cmd.UseLine(), "%v", err)
		}
		return nil
	}
}

// begin reads the settings and sets the log up.
func (a *app) begin(cmd *cobra.Command) error {
	var err error
	if a.set, err = settings.Load(cmd.Flags(), a.settingsFile); err != nil {
		return usage("flags come before LINEHAND_… in the environment, and that before the settings file", "%v", err)
	}
	level, err := zerolog.ParseLevel(strings.Replace(a.set.LogLevel, "off", "disabled", 1))
	if err != nil {
		return usage("there are trace, debug, info, warn, error and off", "setting log-level: %q is no level", a.set.LogLevel)
	}
	var w io.Writer = logWriter{a}
	if isTerminal(a.errs) {
		w = zerolog.ConsoleWriter{Out: w, TimeFormat: "15:04:05"}
	}
	a.log = zerolog.New(w).Level(level).With().Timestamp().Logger()
	// The expect engine logs through the standard logger.
	log.SetFlags(0)
	log.SetOutput(debugLog{a.log})
	return nil
}

// logWriter takes secrets out of what is logged, and keeps it apart from the
// board.
type logWriter struct{ *app }

func (l logWriter) Write(p []byte) (n int, err error) {
	write := func() { _, err = io.WriteString(l.errs, l.masked(string(p))) }
	if l.still != nil {
		l.still(write)
	} else {
		write()
	}
	return len(p), err
}

// debugLog is the standard logger's way into ours. Its text goes into a
// field: it may hold bytes from a console.
type debugLog struct{ log zerolog.Logger }

func (d debugLog) Write(p []byte) (int, error) {
	d.log.Debug().Str("text", strings.TrimSpace(string(p))).Msg("library")
	return len(p), nil
}

// isTerminal tells whether w is a terminal that redraws.
func isTerminal(w any) bool {
	f, ok := w.(*os.File)
	return ok && isatty.IsTerminal(f.Fd()) && os.Getenv("TERM") != "dumb"
}

// tool is the program's name and version, as records and `version` say it.
func tool() string {
	v := version
	if v == "" {
		v = "development"
		if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" && info.Main.Version != "(devel)" {
			v = info.Main.Version
		}
	}
	return "linehand " + v
}
