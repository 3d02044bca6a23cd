package bench

import "time"

// StateWords says in plain words how an alert stands, for people; at prints a
// moment.
func (v *AlertView) StateWords(at func(time.Time) string) string {
	switch v.State {
	case AlertUnacknowledged:
		return "not acknowledged"
	case AlertAcknowledged:
		return somebody(v.By) + " sees to it"
	case AlertReturned:
		if v.Passing || v.Returned.IsZero() {
			return "not acknowledged"
		}
		return "over since " + at(v.Returned) + ", not acknowledged"
	case AlertShelved:
		return "shelved until " + at(v.Until) + by(v.By)
	case AlertSuppressed:
		if v.Until.IsZero() {
			return "held back: its cause is told"
		}
		return "held back: hands on until " + at(v.Until)
	case AlertOutOfService:
		return "out of service since " + at(v.Changed) + by(v.By)
	case AlertNormal:
		return "normal"
	}
	return string(v.State)
}

// StateBrief says the same where there is little room.
func (v *AlertView) StateBrief(at func(time.Time) string) string {
	if v.State == AlertReturned && !v.Passing && !v.Returned.IsZero() {
		return "over, not acknowledged"
	}
	return v.StateWords(at)
}

func somebody(name string) string {
	if name == "" {
		return "somebody"
	}
	return name
}

func by(name string) string {
	if name == "" {
		return ""
	}
	return ", by " + name
}

// Can reports that a deed means something in the state of the alert.
func (v *AlertView) Can(d AlertDeed) bool {
	switch d {
	case DeedAcknowledge:
		return v.State == AlertUnacknowledged || v.State == AlertReturned || v.State == AlertSuppressed
	case DeedShelve:
		return v.State != AlertOutOfService
	case DeedUnshelve:
		return v.State == AlertShelved
	case DeedTakeOut:
		return v.State != AlertOutOfService
	case DeedPutBack:
		return v.State == AlertOutOfService
	}
	return false
}
