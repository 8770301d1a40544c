package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"arcdrift/agent/manual"
)

// helpCommand shows what a command does or a topic of the manual, or both if they share
// a name; without a name, the list of both.
func helpCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "help [TOPIC…]",
		Short:   "Help on a command or on a topic of the manual",
		Example: "  arcdrift help import\n  arcdrift help device add\n  arcdrift help alerts",
		RunE: func(cmd *cobra.Command, args []string) error {
			topics, err := manual.Open()
			if err != nil {
				return err
			}
			name := strings.Join(args, " ")
			topic, isTopic := topics.Topic(name)
			of, rest, err := cmd.Root().Find(args)
			isCommand := err == nil && len(rest) == 0
			text := topic.Text
			switch {
			case !isCommand && !isTopic:
				return seeHelp(cmd.Root(), "unknown command or help topic %q", name)
			case isCommand:
				of.InitDefaultHelpFlag() // it is made when a command runs, and this one does not
				if err := of.Help(); err != nil {
					return err
				}
				if text = "\n" + topic.Text; name == "" {
					text = list(topics)
				} else if !isTopic {
					text = ""
				}
			}
			_, err = fmt.Fprint(cmd.OutOrStdout(), text)
			return err
		},
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
			topics, err := manual.Open()
			if err != nil {
				return nil, cobra.ShellCompDirectiveError
			}
			var names []string
			for i := range topics.Topics {
				names = append(names, cobra.CompletionWithDesc(topics.Topics[i].Name, topics.Topics[i].Title))
			}
			return names, cobra.ShellCompDirectiveNoFileComp
		},
	}
	return cmd
}

// list is the manual's table of contents, a topic a line.
func list(m *manual.Manual) string {
	var out strings.Builder
	out.WriteString("\nHelp topics:\n")
	for i := range m.Topics {
		fmt.Fprintf(&out, "  %-11s %s\n", m.Topics[i].Name, m.Topics[i].Title)
	}
	out.WriteString("\nUse \"arcdrift help TOPIC\" to read one; the pages have them at /help.\n")
	return out.String()
}
