package cli

import (
	"errors"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// plain has every command say in plain words what is wrong with its command line.
func plain(cmd *cobra.Command) {
	cmd.Args = arguments
	cmd.SuggestionsMinimumDistance = 2
	cmd.SetFlagErrorFunc(flagFault)
	if cmd.HasSubCommands() && cmd.Run == nil && cmd.RunE == nil {
		cmd.RunE = func(cmd *cobra.Command, _ []string) error { return cmd.Help() }
	}
	for _, sub := range cmd.Commands() {
		plain(sub)
	}
}

// arguments checks the words of a command line against the command's usage:
// FILE is one, FILE… one or more, in brackets they may be missing.
func arguments(cmd *cobra.Command, args []string) error {
	wants := strings.Fields(cmd.Use)[1:]
	switch {
	case cmd.HasSubCommands() && len(args) > 0:
		near := cmd.SuggestionsFor(args[0])
		if len(near) == 0 {
			return seeHelp(cmd, "unknown command %q", args[0])
		}
		return usagef("unknown command %q, did you mean %s?", args[0], strings.Join(near, " or "))
	case cmd.HasSubCommands():
		return nil
	case len(args) < len(wants) && !strings.HasPrefix(wants[len(args)], "["):
		return seeHelp(cmd, "%s is missing", strings.TrimSuffix(wants[len(args)], "…"))
	case len(args) > len(wants) && !strings.Contains(cmd.Use, "…"):
		return seeHelp(cmd, "unexpected argument %q", args[len(wants)])
	}
	return nil
}

// flagFault says what is wrong with a flag.
func flagFault(cmd *cobra.Command, err error) error {
	var unknown *pflag.NotExistError
	var silent *pflag.ValueRequiredError
	var bad *pflag.InvalidValueError
	switch {
	case errors.As(err, &unknown) && unknown.GetSpecifiedShortnames() != "":
		return seeHelp(cmd, "unknown flag -%s", unknown.GetSpecifiedName())
	case errors.As(err, &unknown):
		return seeHelp(cmd, "unknown flag --%s", unknown.GetSpecifiedName())
	case errors.As(err, &silent):
		return usagef("--%s requires a value", silent.GetFlag().Name)
	case errors.As(err, &bad):
		return usagef("--%s is %q: %w", bad.GetFlag().Name, bad.GetValue(), valueFault(err))
	}
	return usageError{err}
}

// seeHelp is a fault of the command line, and where to read what would be right.
func seeHelp(cmd *cobra.Command, format string, args ...any) error {
	return usagef(format+"; see %s --help", append(args, cmd.CommandPath())...)
}

// valueFault says what the value of a flag must be.
func valueFault(err error) error {
	var bad *pflag.InvalidValueError
	if !errors.As(err, &bad) {
		return err
	}
	switch kind := bad.GetFlag().Value.Type(); {
	case kind == "bool":
		return errors.New("it must be true or false")
	case kind == "duration":
		return errors.New("it must be a duration like 2h or 30m")
	case errors.As(err, new(*strconv.NumError)):
		return errors.New("it must be a whole number, 0 or more")
	}
	return bad.Unwrap()
}
