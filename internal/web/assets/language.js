// uPlot asks for the number format of navigator.language as it loads, and a
// browser on a computer whose locale is "C" says "C", which is no language and
// would leave the page without a chart. So this is imported before uPlot.

try {
  new Intl.NumberFormat(navigator.language);
} catch {
  Object.defineProperty(navigator, "language", { value: "en" });
}
