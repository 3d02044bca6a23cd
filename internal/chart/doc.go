// Package chart owns what pages and programs draw and list of the past: the
// chart of a station, the rows of its history, how long its runs last, and the
// current of its starts. It is pure: readings and facts go in, values come out;
// who reads them from where, and who draws them, is for others to know.
//
// # Values
//
// Electrical values are integers in millionths (µA, µV) and temperatures in
// millionths of a °C; a channel names its unit and scale. Moments are Unix ms,
// the times within a channel ms from the chart's beginning. What was not read
// is Absent, null in JSON: a line breaks there, and nowhere else. Neighbours
// without a null between them belong together, however far apart they stand:
// a slow instrument is no gap.
//
// # How many points
//
// A chart is asked for with a number of columns. Up to twice as many readings
// are given as they were read (step 0). More are gathered in columns of the same
// width, each with the least, the mean and the greatest of its readings: no
// extreme is lost, and a mean counts every reading once. From one second of
// width on, columns are whole seconds and made of the one-second roll-ups that
// the store keeps.
package chart
