package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"

	"gritwatch/internal/program"
	"gritwatch/server/internal/broker/access"
	"gritwatch/server/internal/config"
)

type addFlags struct {
	Config   string `default:"site.yaml" placeholder:"FILE" help:"The site's file, whose broker.users names the users' file."`
	Name     string `required:"" help:"The agent's name, as in its own file; or the observer's."`
	Observer bool   `help:"One who may read everything and publish nothing, in place of an agent."`
	Replace  bool   `help:"Give one who has a password another."`
	Out      string `placeholder:"FILE" help:"Write the password to a new file, for the agent's password_file, in place of showing it."`
}

// addUser makes a password, keeps its hash in the users' file and hands the password out, once.
func addUser(f addFlags, out io.Writer) error {
	c, err := program.ReadFile("the site's file", f.Config, config.Read)
	if err != nil {
		return err
	}
	if c.Broker.Users == "" {
		return fmt.Errorf("%s %w here: broker.users names no users' file; add for example users: ./users to broker", f.Config, program.ErrUsage)
	}
	user := access.User{Kind: access.Agent, Name: f.Name}
	if f.Observer {
		user.Kind = access.Observer
	} else if agents := c.Agents(); !slices.Contains(agents, f.Name) {
		return fmt.Errorf("--name %w: no pot in %s has the agent %q; agents there: %v", program.ErrUsage, f.Config, f.Name, agents)
	}
	if users, err := access.Read(c.Broker.Users); err == nil && !f.Replace {
		if _, known := users.Find(f.Name); known {
			return fmt.Errorf("user %s %w; --replace gives another password", f.Name, access.ErrKnown)
		}
	}
	password := access.NewPassword()
	// The password is on disk before its hash counts: one that nobody has would lock the agent out.
	if f.Out != "" {
		if err := writeSecret(f.Out, password); err != nil {
			return err
		}
	}
	if user.Hash, err = access.Hash(password); err == nil {
		err = access.Put(c.Broker.Users, user, f.Replace)
	}
	if err != nil {
		if f.Out != "" {
			err = errors.Join(err, os.Remove(f.Out))
		}
		return err
	}
	if f.Out != "" {
		_, err = fmt.Fprintf(out, "%s %s stands in %s; its password is in %s\n", user.Kind, f.Name, c.Broker.Users, f.Out)
	} else {
		_, err = fmt.Fprintf(out, "%s %s stands in %s; its password, which is shown only now:\n%s\n", user.Kind, f.Name, c.Broker.Users, password)
	}
	return err
}

// writeSecret writes a file that only this user may read, and that must not exist yet.
func writeSecret(path, password string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("--out %w: %s exists; name a new file", program.ErrUsage, path)
	} else if err != nil {
		return fmt.Errorf("password: %w", err)
	}
	_, err = f.WriteString(password + "\n")
	return errors.Join(err, f.Sync(), f.Close())
}
