package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"benchvigil/internal/bench"
	"benchvigil/internal/unit"
)

// prefix begins every name.
const prefix = "benchvigil_"

var (
	buildInfo = prometheus.NewDesc(prefix+"build_info", "Always 1; the label tells which version runs.", []string{"version"}, nil)
	mode      = prometheus.NewDesc(prefix+"mode", "What the device is doing: 1 for the mode it is in, 0 for all others.", []string{"station", "mode"}, nil)

	reloadOK   = benchDesc("config_reload_ok", "Whether the configuration as it is now could be read; 0 while an older one stays in force.")
	reloadTime = benchDesc("config_reload_time_seconds", "When the configuration in force was read, in seconds since 1970.")
)

// stationMetric is one metric of every station. An unknown value leaves the
// metric out.
type stationMetric struct {
	desc  *prometheus.Desc
	kind  prometheus.ValueType
	value func(*bench.Snapshot) unit.Maybe[float64]
}

var ofStation = []stationMetric{
	gauge("run_active", "Whether a run goes on.", always(func(s *bench.Snapshot) float64 { return flag(s.Run != nil) })),
	gauge("run_uptime_seconds", "How long the run has gone on; absent without a run.", uptime),
	gauge("window_seconds", "How long the board must stay up.", always(func(s *bench.Snapshot) float64 { return s.Window.Seconds() })),
	gauge("window_met", "Whether the run that goes on has met its window.", always(func(s *bench.Snapshot) float64 { return flag(s.Run != nil && !s.Run.WindowMet.IsZero()) })),
	gauge("watch_armed", "Whether a goal is armed.", always(func(s *bench.Snapshot) float64 { return flag(s.Watch != nil) })),
	gauge("current_amperes", "The last reading of the current; absent while there is no good reading.", amps),
	gauge("voltage_volts", "The last reading of the voltage; absent while there is no good reading.", volts),
	gauge("temperature_celsius", "The temperature beside the board; absent while no sensor gives it.", warmth),
	gauge("usb_present", "Whether a device stands on the port; absent where no port is watched and while the USB watch is lost.", usbPresent),
	gauge("stalled", "Whether a restore or copy is powered but no longer moves.", since(func(s *bench.Snapshot) time.Time { return s.Stalled })),
	gauge("start_hung", "Whether the board has been starting for longer than it may.", always(func(s *bench.Snapshot) float64 { return flag(s.StartHung) })),
	gauge("current_high", "Whether the current is above the limit of the mode, or a leak in standby.", since(func(s *bench.Snapshot) time.Time { return s.Current.High })),
	gauge("current_drifting", "Whether the current has left its own level in a mode where it should be steady.", since(func(s *bench.Snapshot) time.Time { return s.Current.Drifting })),
	gauge("current_collapsed", "Whether the volts sagged while the supply sat at its current limit, in the mode in force.", since(func(s *bench.Snapshot) time.Time { return s.Current.Collapsed })),
	gauge("hands_on", "Whether a person is at the station, so that its alerts should wait.", since(func(s *bench.Snapshot) time.Time { return s.HandsOn })),
	gauge("supply_lost", "Whether good readings have stopped coming.", since(func(s *bench.Snapshot) time.Time { return s.SupplyLost })),
	gauge("usb_lost", "Whether the USB watch itself has failed.", since(func(s *bench.Snapshot) time.Time { return s.USBLost })),
	counter("drops_total", "Runs that ended by the board's doing.", func(s *bench.Snapshot) uint64 { return s.Counts.Drops }),
	counter("drops_reclassified_total", "Drops that turned out to be a person's doing.", func(s *bench.Snapshot) uint64 { return s.Counts.Reclassified }),
	counter("stalls_total", "Stalls raised.", func(s *bench.Snapshot) uint64 { return s.Counts.Stalls }),
	counter("watches_done_total", "Armed goals that were reached.", func(s *bench.Snapshot) uint64 { return s.Counts.WatchesDone }),
	counter("watches_failed_total", "Armed goals that the board missed: it dropped, or their time was over.", func(s *bench.Snapshot) uint64 { return s.Counts.WatchesFailed }),
	counter("restarts_total", "Planned restarts within a run.", func(s *bench.Snapshot) uint64 { return s.Counts.Restarts }),
	counter("readings_total", "Good readings of the supply.", func(s *bench.Snapshot) uint64 { return s.Counts.Readings }),
	counter("reading_failures_total", "Readings that failed or could not be understood.", func(s *bench.Snapshot) uint64 { return s.Counts.BadReadings }),
	counter("queue_drops_total", "Observations dropped because the station was too busy.", func(s *bench.Snapshot) uint64 { return s.QueueDropped }),
}

// benchMetric is one counter of a source that serves the whole bench.
type benchMetric struct {
	desc  *prometheus.Desc
	value func(bench.SourceCounts) uint64
}

var ofBench = []benchMetric{
	{benchDesc("uevents_total", "Kernel uevents received."), func(c bench.SourceCounts) uint64 { return c.Uevents }},
	{benchDesc("lost_uevents_total", "Kernel uevents known to be lost."), func(c bench.SourceCounts) uint64 { return c.LostUevents }},
	{benchDesc("rescans_total", "Looks at the whole USB bus."), func(c bench.SourceCounts) uint64 { return c.Rescans }},
	{benchDesc("usb_disagreements_total", "Rescans in which libusb and sysfs did not show the same devices."), func(c bench.SourceCounts) uint64 { return c.Disagree }},
}

func benchDesc(name, help string) *prometheus.Desc {
	return prometheus.NewDesc(prefix+name, help, nil, nil)
}

func gauge(name, help string, value func(*bench.Snapshot) unit.Maybe[float64]) stationMetric {
	return stationMetric{prometheus.NewDesc(prefix+name, help, []string{"station"}, nil), prometheus.GaugeValue, value}
}

func counter(name, help string, value func(*bench.Snapshot) uint64) stationMetric {
	return stationMetric{
		prometheus.NewDesc(prefix+name, help, []string{"station"}, nil), prometheus.CounterValue,
		always(func(s *bench.Snapshot) float64 { return float64(value(s)) }),
	}
}

// always is a value that is known at any time.
func always(value func(*bench.Snapshot) float64) func(*bench.Snapshot) unit.Maybe[float64] {
	return func(s *bench.Snapshot) unit.Maybe[float64] { return unit.Some(value(s)) }
}

// since is 1 while something stands, which has a time since when it does.
func since(t func(*bench.Snapshot) time.Time) func(*bench.Snapshot) unit.Maybe[float64] {
	return always(func(s *bench.Snapshot) float64 { return flag(!t(s).IsZero()) })
}

func flag(is bool) float64 {
	if is {
		return 1
	}
	return 0
}

func uptime(s *bench.Snapshot) unit.Maybe[float64] {
	if s.Run == nil {
		return unit.Maybe[float64]{}
	}
	return unit.Some(s.Run.Uptime.Seconds())
}

// amps is unknown while the supply is lost: what it last said is old.
func amps(s *bench.Snapshot) unit.Maybe[float64] {
	a, ok := s.Reading.Amps.Get()
	if !ok || !s.SupplyLost.IsZero() {
		return unit.Maybe[float64]{}
	}
	return unit.Some(a.Amps())
}

func volts(s *bench.Snapshot) unit.Maybe[float64] {
	v, ok := s.Reading.Volts.Get()
	if !ok || !s.SupplyLost.IsZero() {
		return unit.Maybe[float64]{}
	}
	return unit.Some(v.Volts())
}

func warmth(s *bench.Snapshot) unit.Maybe[float64] {
	if !s.Temperature.Fresh(s.At) {
		return unit.Maybe[float64]{}
	}
	return unit.Some(s.Temperature.Celsius.Celsius())
}

func usbPresent(s *bench.Snapshot) unit.Maybe[float64] {
	if !s.Hookup.USB || !s.USBLost.IsZero() {
		return unit.Maybe[float64]{}
	}
	return unit.Some(flag(s.USB.Present))
}
