// Package deploy holds what is installed beside the program: the systemd unit,
// udev and polkit rules, and a Prometheus configuration with alerts. It is
// text; its tests hold it against the tools it is for.
package deploy
