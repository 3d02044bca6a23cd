package logkey

import "go.uber.org/zap"

// Outlet is the name of a way to people.
func Outlet(name string) zap.Field { return zap.String("outlet", name) }

// By is who did something.
func By(who string) zap.Field { return zap.String("by", who) }

// Act is what a person did about an alert.
func Act(do, key, by string) zap.Field {
	return zap.Dict("act", zap.String("do", do), zap.String("key", key), zap.String("by", by))
}
