package agent

import "github.com/spf13/cobra"

func demoCommand(Env) *cobra.Command { return &cobra.Command{Use: "demo"} }
