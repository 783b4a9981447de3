// Draws how the boat went over time: one time axis and one cursor for all pictures. The library comes when they are about to be seen.
"use strict";
(() => {
  const colours = ["--link", "--warn", "--good", "--note", "--bad", "--dim"];
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  // A colour of the style may be one for each scheme: an element resolves it.
  const probe = document.createElement("span");
  const resolved = (name, alpha) => {
    probe.style.color = colour(name);
    const c = getComputedStyle(probe).color;
    return alpha ? c.replace(/^rgb\((.*)\)$/, "rgba($1, " + alpha + ")") : c;
  };
  let library = null;
  const load = () => library ||= new Promise((done, fail) => {
    document.head.append(Object.assign(document.createElement("link"), { rel: "stylesheet", href: "/static/uplot.css" }),
      Object.assign(document.createElement("script"), { src: "/static/uplot.js", onload: done, onerror: fail }));
  });
  const mean = (values) => { const all = values.filter((v) => v !== null); return all.reduce((a, b) => a + b, 0) / Math.max(all.length, 1); };

  // stacked gives the loads of the five largest and of the rest, each on top of those below.
  const stacked = (series) => {
    const by = series.filter((s) => s.kind === "load").map((s) => [mean(s.values), s]).sort((a, b) => b[0] - a[0]).map(([, s]) => s);
    const lines = by.slice(0, 5), rest = by.slice(5);
    if (rest.length) lines.push({ name: "others", in: "%", values: rest[0].values.map((_, i) => rest.reduce((sum, s) => sum + (s.values[i] ?? 0), 0)) });
    let below = [];
    return lines.map((s) => (below = s.values.map((v, i) => v === null && !below[i] ? null : (v ?? 0) + (below[i] ?? 0)), { ...s, own: s.values, values: below }));
  };

  // Times are those of the boat, by the day's 24 hours.
  const timeZone = document.querySelector("main").dataset.zone || "UTC";
  const written = (form) => { const f = new Intl.DateTimeFormat("en-GB", { ...form, timeZone }); return (s) => f.format(new Date(s * 1000)); };
  const day = written({ day: "numeric", month: "short" }), minute = written({ hour: "2-digit", minute: "2-digit" });
  const moment = written({ day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", second: "2-digit", timeZoneName: "short" });
  const second = written({ hour: "2-digit", minute: "2-digit", second: "2-digit" });
  const times = () => ({ ...axis(), values: (u, at) => {
    const span = u.scales.x.max - u.scales.x.min;
    return at.map(span < 600 ? second : span < 172800 ? minute : day);
  } });
  const first = { label: "Time", value: (u, s) => s === null ? "–" : moment(s) };
  const axis = () => ({ stroke: resolved("--ink"), grid: { stroke: resolved("--edge"), width: 1 }, ticks: { stroke: resolved("--edge") } });
  const plot = (into, title, t, lines, fill) => {
    if (!lines.length) return null;
    const series = lines.map((s, i) => ({ label: s.name, stroke: resolved(colours[i % colours.length]), width: 1.5, dash: fill ? undefined : [[], [6, 3], [2, 2]][i % 3],
      fill: fill ? resolved(colours[i % colours.length]) : undefined, points: { show: false },
      value: (u, _, k, at) => at === null ? "–" : ((s.own || s.values)[at] ?? "–") + (s.in ? " " + s.in : "") }));
    const order = fill ? lines.map((_, i) => i).reverse() : lines.map((_, i) => i); // the highest is drawn first
    return new uPlot({ title, width: into.clientWidth, height: 150, cursor: { sync: { key: "muster" }, drag: { x: true, y: false } },
      scales: { y: { range: fill ? (u, lo, hi) => [0, Math.max(hi, 1)] : undefined } },
      axes: [times(), { ...axis(), size: 56 }], series: [first, ...order.map((i) => series[i])] }, [t.at, ...order.map((i) => lines[i].values)], into);
  };

  // strips draws when units were online, their software, and when alerts were open, one line each.
  const strips = (into, t) => {
    const sec = (text, or) => text ? Date.parse(text) / 1000 : or;
    const end = sec(t.to), from = sec(t.from);
    const shown = t.units.slice(0, 60), alerts = t.alerts.slice(0, 20), rows = shown.length + alerts.length;
    if (!rows) return null;
    const high = 14 * rows;
    const draw = (u) => {
      const { ctx } = u, x = (s) => u.valToPos(Math.min(Math.max(s, u.scales.x.min), u.scales.x.max), "x", true), dpr = devicePixelRatio;
      const y = (row) => u.bbox.top + row * u.bbox.height / rows, bar = u.bbox.height / rows * 0.55;
      const span = (row, a, b, name, alpha) => { ctx.fillStyle = resolved(name, alpha); if (b > a) ctx.fillRect(x(a), y(row) + bar * 0.4, Math.max(x(b) - x(a), dpr), bar); };
      ctx.save();
      ctx.beginPath(); ctx.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height); ctx.clip();
      ctx.font = 10 * dpr + "px sans-serif"; ctx.textBaseline = "middle"; ctx.textAlign = "left";
      shown.forEach((unit, row) => {
        let at = from;
        for (const away of unit.absences) { span(row, at, sec(away.from, from), "--good", 0.55); at = sec(away.until, end); }
        span(row, at, end, "--good", 0.55);
        ctx.fillStyle = resolved("--ink");
        unit.software.forEach((ran, i) => { const s = sec(ran.from, 0); if (i && s >= from) ctx.fillText("◆ " + ran.version, x(s), y(row) + bar); });
      });
      alerts.forEach((a, i) => span(shown.length + i, sec(a.from, from), sec(a.until, end), { critical: "--bad", warning: "--warn", info: "--note" }[a.severity] || "--dim", 0.8));
      ctx.fillStyle = resolved("--ink");
      [...shown.map((u) => u.title), ...alerts.map((a) => "⚠ " + a.summary)].forEach((text, row) => ctx.fillText(text.slice(0, 60), u.bbox.left + 4 * dpr, y(row) + bar));
      ctx.restore();
    };
    return new uPlot({ title: "Units online, software, alerts", width: into.clientWidth, height: high + 70, legend: { show: false }, cursor: { sync: { key: "muster" }, drag: { x: true, y: false } },
      scales: { y: { range: [0, 1] } }, axes: [times(), { ...axis(), size: 56, values: () => [] }], series: [first, { show: false }], hooks: { draw: [draw] } },
      [t.at, t.at.map(() => 0)], into);
  };

  const drawn = new Map(); // element to its pictures
  const draw = async (into) => {
    const [answer] = await Promise.all([fetch(into.dataset.trends, { cache: "no-store" }), load()]);
    if (!answer.ok || !into.isConnected) return;
    const t = await answer.json();
    for (const p of drawn.get(into) || []) p.destroy();
    into.append(probe);
    drawn.set(into, [plot(into, "Bus load by unit (%)", t, stacked(t.series), true), plot(into, "Error frames and losses", t, t.series.filter((s) => s.kind === "faults")),
      plot(into, "Battery voltage (V)", t, t.series.filter((s) => s.kind === "volts")), strips(into, t)].filter(Boolean));
    into.dataset.drawn = drawn.get(into).length;
  };

  let seen = null;
  const watch = new IntersectionObserver((entries) => { for (const e of entries) if (e.isIntersecting) draw(e.target).catch(() => {}); }, { rootMargin: "200px" });
  const look = () => {
    const into = document.querySelector(".plots");
    if (into === seen) return;
    for (const p of drawn.get(seen) || []) p.destroy();
    drawn.delete(seen);
    if (seen) watch.unobserve(seen);
    if (into) watch.observe(into);
    seen = into;
  };
  look();
  new MutationObserver(look).observe(document.querySelector("main"), { childList: true, subtree: true });
  setInterval(() => { // the right edge
    if (!seen || document.hidden || !drawn.has(seen) || seen.matches(":hover")) return;
    draw(seen).catch(() => {});
  }, 15000);
  addEventListener("resize", () => { for (const list of drawn.values()) for (const p of list) p.setSize({ width: p.root.parentElement.clientWidth, height: p.height }); });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { if (seen && drawn.has(seen)) draw(seen).catch(() => {}); });
})();
