//go:build linux

package main

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"strings"
	"sync/atomic"
)

// supplyAddress is where the configuration looks for the supply.
const supplyAddress = "127.0.0.1:5025"

// supply is the bench supply: it holds its volts and draws what it is told.
type supply struct{ microamps atomic.Int64 }

func startSupply(ctx context.Context, address string) (*supply, error) {
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	s := &supply{}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go s.serve(c)
		}
	}()
	return s, nil
}

func (s *supply) set(amps float64) { s.microamps.Store(int64(amps * 1e6)) }

func (s *supply) serve(c net.Conn) {
	defer c.Close()
	lines := bufio.NewScanner(c)
	for lines.Scan() {
		var answers []string
		for q := range strings.SplitSeq(strings.ToUpper(lines.Text()), ";") {
			switch strings.TrimSpace(q) {
			case "*IDN?":
				answers = append(answers, "Invented,PSU,1,1.0")
			case "MEAS:VOLT?", "VOLT?":
				answers = append(answers, "3.800")
			case "MEAS:CURR?", "CURR?":
				answers = append(answers, fmt.Sprintf("%.6f", float64(s.microamps.Load())/1e6))
			case "SYST:ERR?":
				answers = append(answers, `0,"No error"`)
			}
		}
		if len(answers) > 0 {
			fmt.Fprintln(c, strings.Join(answers, ";"))
		}
	}
}
