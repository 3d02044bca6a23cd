//go:build linux

package main

import (
	"bufio"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"strings"
)

// refused is what an answer begins with that says no.
const refused = "no: "

// serve sets the bench up and obeys commands for as long as the machine runs.
func serve() error {
	b, err := newBench()
	if err != nil {
		return err
	}
	if err := os.Remove(socket); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	l, err := net.Listen("unix", socket) //nolint:noctx // until the machine ends
	if err != nil {
		return err
	}
	if err := ready(); err != nil {
		return err
	}
	for {
		c, err := l.Accept()
		if err != nil {
			return err
		}
		go b.answer(c)
	}
}

// answer obeys the one command of a connection.
func (b *emulated) answer(c net.Conn) {
	defer c.Close() //nolint:errcheck // whoever asked has gone
	line, err := bufio.NewReader(c).ReadString('\n')
	if err != nil {
		return
	}
	said, err := b.obey(strings.Fields(line))
	if err != nil {
		said = refused + err.Error() + "\n"
	}
	fmt.Fprint(c, said) //nolint:errcheck // whoever asked has gone
}

// ready tells the service manager that the bench stands.
func ready() error {
	name := os.Getenv("NOTIFY_SOCKET")
	if name == "" {
		return nil
	}
	c, err := net.Dial("unixgram", name) //nolint:noctx // a local datagram
	if err != nil {
		return err
	}
	_, err = fmt.Fprint(c, "READY=1")
	return errors.Join(err, c.Close())
}
