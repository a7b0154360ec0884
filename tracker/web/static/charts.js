"use strict";
// Draws what a page asks for from plain numbers; the words beside each picture hold the same facts.
(() => {
  const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const colours = () => [ink("--line"), ink("--stop-dot"), ink("--usable"), ink("--good"), ink("--failed"), ink("--soft")];
  const frame = (where, more) => ({
    width: Math.max(280, Math.min(where.clientWidth || 640, 900)),
    marginLeft: 56,
    marginBottom: 42,
    style: { background: "transparent", color: ink("--ink"), fontSize: "13px", fontFamily: "inherit" },
    ...more,
  });
  const makers = {
    curve: (data, where) => Plot.plot(frame(where, {
      height: 260,
      ariaLabel: `${data.curves[0].y} over ${data.curves[0].x}, of ${data.curves.map((c) => c.of).join(", ")}`,
      x: { label: data.curves[0].x, nice: true },
      y: { label: data.curves[0].y, nice: true, grid: true },
      color: { range: colours() },
      marks: [
        Plot.ruleY([0], { stroke: ink("--edge") }),
        ...data.curves.map((c, n) => Plot.line(c.points, { x: (p) => p[0], y: (p) => p[1], stroke: colours()[n % 6], strokeWidth: 2, strokeDasharray: n < 6 ? null : "5 3" })),
        ...(data.curves.length > 1 ? [Plot.text(data.curves, { x: (c) => c.points[c.points.length - 1][0], y: (c) => c.points[c.points.length - 1][1], text: "of", dy: -6, fill: "currentColor" })] : []),
      ],
    })),
    drift: (data, where) => Plot.plot(frame(where, {
      height: 110 + 120 * data.limits.length,
      ariaLabel: `Plates in order of time, of ${data.limits.map((l) => l.material).join(", ")}`,
      marginRight: 120,
      x: { label: "plate, in order of time", tickFormat: (n) => (Number.isInteger(n) ? n : "") },
      y: { label: data.fraction ? "above or below its material" : "above or below, in the unit", percent: data.fraction, grid: true, tickFormat: data.fraction ? (v) => `${v} %` : undefined },
      fy: { label: null },
      marks: [
        Plot.ruleY(data.limits, { y: "low", fy: "material", stroke: ink("--failed"), strokeDasharray: "4 3" }),
        Plot.ruleY(data.limits, { y: "high", fy: "material", stroke: ink("--failed"), strokeDasharray: "4 3" }),
        Plot.ruleY([0], { stroke: ink("--edge") }),
        Plot.line(data.points, { x: "place", y: "value", fy: "material", stroke: ink("--line"), strokeWidth: 1.5 }),
        Plot.dot(data.points, { x: "place", y: "value", fy: "material", r: 4, fill: (p) => (p.beyond ? ink("--failed") : ink("--line")), symbol: (p) => (p.beyond ? "diamond" : "circle"), title: (p) => p.plate }),
        Plot.text(data.points.filter((p) => p.beyond), { x: "place", y: "value", fy: "material", text: "plate", dy: -10, fill: "currentColor" }),
      ],
    })),
    results: (data, where) => Plot.plot(frame(where, {
      height: 70 + 30 * data.rows.length,
      ariaLabel: `${data.title} of ${data.rows.length} groups`,
      marginLeft: Math.min(220, (where.clientWidth || 640) * 0.42),
      x: { label: data.unit ? `${data.title} [${data.unit}]` : data.title, nice: true, grid: true },
      y: { label: null, domain: data.rows.map((r) => r.name) },
      marks: [
        Plot.ruleY(data.rows.filter((r) => r.low !== null), { y: "name", x1: "low", x2: "high", stroke: ink("--line"), strokeWidth: 9, strokeOpacity: 0.28 }),
        Plot.dot(data.rows.flatMap((r) => r.values.map((v) => ({ name: r.name, value: v }))), { x: "value", y: "name", r: 2.5, stroke: ink("--soft") }),
        Plot.tickX(data.rows.filter((r) => r.mean !== null), { x: "mean", y: "name", stroke: ink("--stop-dot"), strokeWidth: 3 }),
      ],
    })),
  };
  window.drawChart = async (where) => {
    where.setAttribute("data-drawn", "");
    const answered = await fetch(where.dataset.chart).catch(() => null);
    if (!answered || !answered.ok) return;
    const data = await answered.json();
    if (!makers[data.kind]) return;
    const draw = () => {
      const drawn = makers[data.kind](data, where);
      const svg = drawn.tagName === "svg" ? drawn : drawn.querySelector("svg");
      svg.setAttribute("role", "img");
      // The picture has one name; its parts have no roles, and so may have none.
      svg.querySelectorAll("[aria-label]").forEach((part) => part.removeAttribute("aria-label"));
      where.replaceChildren(drawn);
    };
    draw();
    let wide = where.clientWidth;
    new ResizeObserver(() => { if (Math.abs(where.clientWidth - wide) > 30) { wide = where.clientWidth; draw(); } }).observe(where);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  };
})();
