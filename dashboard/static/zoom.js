// Zoom and hover for a curve that the server has drawn: drag along it for a closer look, click twice for all of it.
//
// Only where the chart library was brought in; without it, or without scripts, the drawing stays as it is.
"use strict";

(() => {
  const place = document.getElementById("zoom");
  if (place === null || typeof uPlot === "undefined") return;
  const ink = getComputedStyle(document.documentElement).getPropertyValue("--ink").trim();
  const soft = getComputedStyle(document.documentElement).getPropertyValue("--soft").trim();
  const whole = [Number(place.dataset.from), Number(place.dataset.to)];
  let chart = null;
  let asked = 0;

  function size() {
    return { width: place.clientWidth, height: Math.max(220, Math.round(place.clientWidth / 3)) };
  }

  function draw(data) {
    const clock = (_, splits) => splits.map((at) => {
      const text = new Date(at * 1000).toISOString();
      return text.slice(11, 16) === "00:00" ? text.slice(5, 10) : text.slice(11, 16);
    });
    const axis = { stroke: soft, grid: { stroke: soft, width: 0.3 }, ticks: { stroke: soft } };
    const options = {
      ...size(),
      tzDate: (at) => uPlot.tzDate(new Date(at * 1000), "Etc/UTC"),
      axes: [{ ...axis, values: clock }, { ...axis, label: "°C" }],
      series: [
        {},
        { label: "mean °C", stroke: ink, width: 2, spanGaps: false },
        { label: "lowest", stroke: soft, width: 1, spanGaps: false },
        { label: "highest", stroke: soft, width: 1, spanGaps: false },
      ],
      cursor: { drag: { setScale: false } },
      hooks: {
        setSelect: [(u) => {
          if (u.select.width < 8) return;
          const from = u.posToVal(u.select.left, "x");
          const to = u.posToVal(u.select.left + u.select.width, "x");
          u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
          load(from, to);
        }],
      },
    };
    if (chart !== null) chart.destroy();
    place.replaceChildren();
    chart = new uPlot(options, data, place);
  }

  async function load(from, to) {
    const mine = ++asked;
    const query = new URLSearchParams({ from: Math.floor(from * 1000), to: Math.ceil(to * 1000) });
    const answer = await fetch(`${place.dataset.curve}?${query}`);
    if (!answer.ok || mine !== asked) return;
    const points = (await answer.json()).points;
    if (points.length > 1) draw([0, 1, 2, 3].map((column) => points.map((point) => point[column])));
  }

  place.addEventListener("dblclick", () => load(...whole));
  window.addEventListener("resize", () => { if (chart !== null) chart.setSize(size()); });
  load(...whole);
})();
