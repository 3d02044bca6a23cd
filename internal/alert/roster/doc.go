// Package roster decides who hears of an alert, by which outlet, and when: people
// with quiet hours, rules by station, severity and kind, repeats and escalation.
//
// It remembers nothing. What is due follows from the alert as it stands and from
// the time alone, and every message has a key made of what it says to whom, so
// that after a restart the same messages are due again and are known as sent.
// Whether an alert is to be told at all is its state's to say (life).
package roster
