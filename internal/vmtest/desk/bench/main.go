//go:build linux

// Bench is the emulated bench of the desk machine, and the hands of whoever
// works at it: boards on USB ports, and the supplies that feed them. `bench
// serve` keeps it going; every other command moves it or asks what stands
// there. It must not know what watches it.
package main

import (
	"fmt"
	"io"
	"net"
	"os"
	"strings"

	"benchvigil/internal/sim"
)

// socket is where the commands reach the bench.
const socket = "/run/emulated-bench.sock"

const usage = `What hands do at this bench:

  bench                        what stands on it now
  bench unplug SEAT            pull the USB cable of the board
  bench plug SEAT              plug it in
  bench board SEAT STATE       what the board does: %s
  bench amps SEAT AMPERES      what it draws from now on
  bench play SEAT STORY        let the board live through one of the stories:
                               %s
  bench supply SEAT pulled|silent|answering
                               pull the plug of its supply, or let it fall silent
`

func main() {
	err := run(os.Args[1:])
	if err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	switch strings.Join(args, " ") {
	case "serve":
		return serve()
	case "help", "-h", "--help":
		fmt.Print(help())
		return nil
	}
	return ask(strings.Join(args, " "))
}

func help() string {
	var stories []string
	for _, s := range sim.Scenarios() {
		stories = append(stories, s.Name)
	}
	return fmt.Sprintf(usage, strings.Join(stateNames(), ", "), strings.Join(stories, ", "))
}

// ask sends a command to the bench and prints its answer.
func ask(command string) error {
	c, err := net.Dial("unix", socket) //nolint:noctx // a person waits for it
	if err != nil {
		return err
	}
	defer c.Close() //nolint:errcheck // read to its end
	if _, err := fmt.Fprintln(c, command); err != nil {
		return err
	}
	answer, err := io.ReadAll(c)
	if err != nil {
		return err
	}
	if refusal, no := strings.CutPrefix(string(answer), refused); no {
		return fmt.Errorf("%s (bench help says how)", strings.TrimSpace(refusal))
	}
	fmt.Print(string(answer))
	return nil
}
