package cli

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

const envPrefix = "ARCDRIFT_"

// applySettings gives every flag that the command line left alone its value from the
// environment (ARCDRIFT_HTTP_LISTEN for --http-listen) or else from the
// configuration file (http_listen); what neither says keeps its default. A name
// that is not among the known, those of all commands, is an error.
func applySettings(flags *pflag.FlagSet, known map[string]bool, environ []string) error {
	for _, pair := range environ {
		key, value, _ := strings.Cut(pair, "=")
		name, ours := strings.CutPrefix(key, envPrefix)
		if !ours {
			continue
		}
		name = strings.ReplaceAll(strings.ToLower(name), "_", "-")
		if !known[name] {
			return usagef("the environment variable %s is not a setting", key)
		}
		if f := flags.Lookup(name); f != nil && !f.Changed {
			if err := flags.Set(name, value); err != nil {
				return usagef("the environment variable %s is %q: %w", key, value, valueFault(err))
			}
		}
	}
	if file := flags.Lookup("config"); file != nil && file.Value.String() != "" {
		if err := readConfig(file.Value.String(), flags); err != nil {
			return err
		}
	}
	return handedOver(flags, environ)
}

// noCredential is what the shipped unit hands over for a file that is not there.
const noCredential = "none"

// handedOver has every setting that names a file name the copy that the service
// manager handed over, where there is one: what only root may read reaches the
// agent in this way (systemd.exec(5), LoadCredential). A copy is found by the
// file's name, those of a directory by "secret_" before it.
func handedOver(flags *pflag.FlagSet, environ []string) error {
	dir := ""
	for _, pair := range environ {
		if value, ok := strings.CutPrefix(pair, "CREDENTIALS_DIRECTORY="); ok {
			dir = value
		}
	}
	if dir == "" {
		return nil
	}
	copied := func(file string) string {
		for _, name := range []string{filepath.Base(file), "secret_" + filepath.Base(file)} {
			at := filepath.Join(dir, name)
			if raw, err := os.ReadFile(at); err == nil && string(raw) != noCredential {
				return at
			}
		}
		return file
	}
	var err error
	flags.VisitAll(func(f *pflag.Flag) {
		given, _ := pflag.UnquoteUsage(f)
		list, repeats := f.Value.(pflag.SliceValue)
		switch {
		case err != nil || f.Value.String() == "" || f.Name == "config":
		case given == "FILE" && !repeats:
			err = flags.Set(f.Name, copied(f.Value.String()))
		case given == "NAME=FILE" && repeats:
			all := list.GetSlice()
			for i, one := range all {
				if name, file, ok := strings.Cut(one, "="); ok {
					all[i] = name + "=" + copied(file)
				}
			}
			err = list.Replace(all)
		}
	})
	return err
}

// settingNames are the flags of all commands but those about the command line
// itself and the fields of a record.
func settingNames(root *cobra.Command) map[string]bool {
	names := map[string]bool{}
	for _, cmd := range append(root.Commands(), root) {
		cmd.LocalFlags().VisitAll(func(f *pflag.Flag) { names[f.Name] = true })
	}
	delete(names, "help")
	return names
}

// readConfig reads a TOML file of settings; lists are for flags that repeat.
func readConfig(path string, flags *pflag.FlagSet) error {
	raw, err := os.ReadFile(path)
	if err != nil {
		return usagef("the configuration cannot be read: %w", err)
	}
	var file map[string]any
	if err := toml.Unmarshal(raw, &file); err != nil {
		return usagef("the configuration %s is not valid TOML: %w", path, err)
	}
	for _, key := range slices.Sorted(maps.Keys(file)) {
		f := flags.Lookup(strings.ReplaceAll(key, "_", "-"))
		if f == nil || f.Name == "config" || f.Name == "help" || strings.Contains(key, "-") {
			return usagef("the configuration %s has %s, which is not a setting of %q", path, key, flags.Name())
		}
		if f.Changed {
			continue
		}
		values, ok := file[key].([]any)
		if !ok {
			values = []any{file[key]}
		}
		for _, v := range values {
			if err := flags.Set(f.Name, fmt.Sprint(v)); err != nil {
				return usagef("the configuration %s has %s = %v: %w", path, key, v, valueFault(err))
			}
		}
	}
	return nil
}
