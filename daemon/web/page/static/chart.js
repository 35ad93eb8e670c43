"use strict";
/* The value chart. The table beside it has the same figures; this shows their course. */
const box = document.getElementById("chart");
if (box && window.uPlot) {
  const rows = JSON.parse(box.dataset.rows);
  const { currency, by } = box.dataset;
  const told = document.getElementById("chart-now");
  const style = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const places = 2;
  const money = (value) => value.toFixed(places).replace("-", "\u2212");
  const names = [...document.querySelectorAll("table.value tbody tr")];
  const nameOf = (at) => {
    const row = names[names.length - rows.start.length + at];
    return row ? row.dataset.name : "";
  };
  let shown = rows.start.length - 1;

  function tell(at) {
    if (at === null || at === undefined || at < 0) return;
    shown = at;
    told.textContent = `${nameOf(at)}: avoided ${money(rows.avoided[at])}, given up ${money(rows.given_up[at])}, `
      + `net ${money(rows.net[at])} ${currency}`;
  }

  const axis = () => ({ stroke: style("--quiet"), grid: { stroke: style("--hair"), width: 1 }, ticks: { stroke: style("--hair") }, font: "15px serif" });
  const width = () => Math.max(260, box.clientWidth);
  // A period is a bar's place, not an instant: the scale runs over the rows.
  const places_x = rows.start.map((_, at) => at);
  const options = () => ({
    width: width(), height: 320, legend: { show: false },
    cursor: { drag: { x: true, y: false }, points: { size: 8 } },
    scales: { x: { time: false, range: (u, low, high) => low === high ? [low - 1, high + 1] : [low - 0.4, high + 0.4] } },
    axes: [
      { ...axis(), values: (u, at) => at.map((x) => Number.isInteger(x) && rows.start[x] !== undefined ? nameOf(x).replace(/ \d{4}$/, "").replace(/^\w{3} (?=\d)/, "") : ""), space: 90 },
      { ...axis(), size: 64, values: (u, at) => at.map((y) => money(y)) },
    ],
    series: [
      {},
      { label: "avoided", fill: style("--chart-up"), width: 0, paths: uPlot.paths.bars({ size: [0.7, 60] }), points: { show: false } },
      { label: "given up", fill: style("--chart-down"), width: 0, paths: uPlot.paths.bars({ size: [0.7, 60] }), points: { show: false } },
      { label: "net", stroke: style("--chart-net"), width: 2, points: { show: rows.start.length < 80, size: 6, fill: style("--chart-net") } },
    ],
    hooks: { setCursor: [(u) => tell(u.cursor.idx)] },
  });

  let chart;
  function draw() {
    if (chart) chart.destroy();
    chart = new uPlot(options(), [places_x, rows.avoided, rows.given_up.map((value) => -value), rows.net], box);
    tell(shown);
  }
  function zoom(by_times) {
    const { min, max } = chart.scales.x;
    const half = Math.max(1, (max - min) / 2 / by_times);
    chart.setScale("x", { min: Math.max(0, shown - half), max: Math.min(rows.start.length - 1, shown + half) });
  }
  function all() { chart.setScale("x", { min: 0, max: rows.start.length - 1 }); }
  function point(at) {
    tell(Math.max(0, Math.min(rows.start.length - 1, at)));
    const { min, max } = chart.scales.x;
    if (shown < min || shown > max) all();
    chart.setCursor({ left: chart.valToPos(shown, "x"), top: chart.valToPos(rows.net[shown], "y") });
  }
  box.addEventListener("keydown", (event) => {
    const keys = {
      ArrowLeft: () => point(shown - 1), ArrowRight: () => point(shown + 1),
      Home: () => point(0), End: () => point(rows.start.length - 1),
      "+": () => zoom(2), "=": () => zoom(2), "-": () => zoom(0.5), 0: all,
    };
    if (keys[event.key] && !event.ctrlKey && !event.metaKey && !event.altKey) { keys[event.key](); event.preventDefault(); }
  });
  document.getElementById("chart-all").addEventListener("click", all);
  let drawn = width();
  new ResizeObserver(() => { if (width() !== drawn) { drawn = width(); chart.setSize({ width: drawn, height: 320 }); } }).observe(box);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  draw();
}
