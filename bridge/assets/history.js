// Reading and zooming the curves of power. Without it the page is the same, with links instead.
"use strict";

const many = (n, digits = 2) => n.toLocaleString("en", { minimumFractionDigits: digits, maximumFractionDigits: digits });

function power(watts) {
  return Math.abs(watts) < 1000 ? `${Math.round(watts)} W` : `${many(watts / 1000)} kW`;
}

// What one column of a point says; the grid goes both ways.
function told(point, column) {
  const way = (w) => (point.signed ? (w < 0 ? ` ${point.signed[1]}` : ` ${point.signed[0]}`) : "");
  const one = (w) => power(point.signed ? Math.abs(w) : w) + way(w);
  if (column.count === 1 || Math.round(column.min_w) === Math.round(column.max_w)) return `${point.name} ${one(column.mean_w)}`;
  return `${point.name} ${one(column.mean_w)} (${one(column.min_w)} to ${one(column.max_w)})`;
}

function readable(figure) {
  const plot = figure.querySelector(".plot");
  const from = Number(figure.dataset.from) / 1000;
  const to = Number(figure.dataset.to) / 1000;
  const long = to - from > 30 * 3600;
  const clock = new Intl.DateTimeFormat("en-GB", {
    timeZone: figure.dataset.zone, hour: "2-digit", minute: "2-digit",
    ...(long ? { day: "numeric", month: "short" } : to - from < 7200 ? { second: "2-digit" } : {}),
  });
  const time = (s) => clock.format(new Date(s * 1000));
  let points = null, decisions = [], moments = [], place = -1, drag = null;

  const line = document.createElement("div");
  line.className = "cursor";
  line.hidden = true;
  const mark = document.createElement("div");
  mark.className = "marked";
  mark.hidden = true;
  plot.append(mark, line);
  const words = document.createElement("p");
  words.className = "readout";
  words.setAttribute("role", "status");
  words.textContent = "Point at the curves, or go to them and use the arrow keys. Drag across them, or press + and −, to see more or less.";
  figure.insertBefore(words, plot);
  Object.entries({
    tabindex: 0, role: "slider", "aria-label": "Moment in the curves of power",
    "aria-valuemin": 0, "aria-valuemax": 0, "aria-valuenow": 0, "aria-valuetext": "no moment yet",
  }).forEach(([name, value]) => plot.setAttribute(name, value));

  async function load() {
    if (points) return true;
    try {
      const answer = await fetch(figure.dataset.readings, { headers: { accept: "application/json" } });
      if (!answer.ok) throw new Error();
      const all = await answer.json();
      points = all.power.filter((point) => point.columns.length);
      decisions = (all.decisions ?? []).flatMap((load) => load.told.map((one) => ({ ...one, name: load.name })));
    } catch {
      words.textContent = "The readings could not be fetched; the curves stand as they are.";
      return false;
    }
    for (const point of points) point.signed = { Grid: ["in", "out"], Battery: ["out of it", "into it"] }[point.name.split(" ")[0].replace(",", "")];
    const all = new Set();
    points.forEach((point) => point.columns.forEach((column) => all.add(column.from_s)));
    moments = [...all].sort((a, b) => a - b);
    plot.setAttribute("aria-valuemax", Math.max(moments.length - 1, 0));
    return moments.length > 0;
  }

  // What was decided from one moment to another, as further sentences.
  function decided(from_s, to_s) {
    const here = decisions.filter((one) => from_s <= one.at_s && one.at_s < to_s);
    const rest = here.length > 3 ? ` And ${here.length - 3} more decisions.` : "";
    return here.slice(0, 3).map((one) => ` ${one.name}: ${one.said}.`).join("") + rest;
  }

  function show(n) {
    place = Math.min(Math.max(n, 0), moments.length - 1);
    const at = moments[place];
    const here = points.map((point) => [point, point.columns.find((c) => c.from_s <= at && at < c.to_s)]);
    const end = Math.max(...here.map(([, column]) => (column ? column.to_s : at)));
    line.style.left = `${(((at + end) / 2 - from) / (to - from)) * 100}%`;
    line.hidden = false;
    plot.setAttribute("aria-valuenow", place);
    plot.setAttribute("aria-valuetext", time(at));
    const powers = here.map(([point, column]) => (column ? told(point, column) : `${point.name} no reading`)).join("; ");
    words.textContent = `${time(at)}: ${powers}.${decided(at, end)}`;
  }

  // What the pointer is at: the column there, or that there is none.
  function point(share) {
    const at = from + share * (to - from);
    const n = nearest(share);
    const here = points.map((p) => p.columns.find((c) => c.from_s === moments[n])).filter(Boolean);
    const width = Math.max(...here.map((c) => c.to_s - c.from_s));
    if (at >= moments[n] && at < moments[n] + 2.5 * width) return show(n);
    line.style.left = `${share * 100}%`;
    line.hidden = false;
    words.textContent = `${time(at)}: no reading.`;
  }

  const across = (event) => {
    const box = plot.getBoundingClientRect();
    return Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1);
  };
  const nearest = (share) => {
    const at = from + share * (to - from);
    let best = 0;
    moments.forEach((moment, n) => { if (moment <= at) best = n; });
    return best;
  };
  const follow = (way) => document.querySelector(`[data-way="${way}"]`)?.click();

  plot.addEventListener("pointermove", async (event) => {
    if (drag !== null) {
      const [a, b] = [drag, across(event)].sort((x, y) => x - y);
      mark.hidden = b - a < 0.01;
      mark.style.left = `${a * 100}%`;
      mark.style.width = `${(b - a) * 100}%`;
    }
    const share = across(event);
    if (await load()) point(share);
  });
  plot.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse" && event.button === 0) drag = across(event);
  });
  plot.addEventListener("pointerup", (event) => {
    if (drag === null) return;
    const [a, b] = [drag, across(event)].sort((x, y) => x - y);
    drag = null;
    mark.hidden = true;
    if (b - a < 0.01) return;
    const moment = (share) => new Date((from + share * (to - from)) * 1000).toISOString().replace(/\.\d+/, "");
    location.search = `?from=${moment(a)}&to=${moment(b)}`;
  });
  plot.addEventListener("pointerleave", () => { drag = null; mark.hidden = true; });
  plot.addEventListener("keydown", async (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const way = { "+": "Closer", "=": "Closer", "-": "Wider", PageUp: "Earlier", PageDown: "Later" }[event.key];
    if (way) { event.preventDefault(); follow(way); return; }
    const to = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, Home: -Infinity, End: Infinity }[event.key];
    if (to === undefined) return;
    event.preventDefault();
    const by = event.shiftKey ? to * 10 : to;
    if (await load()) show(place < 0 && Math.abs(to) === 1 ? nearest(0.5) : place + by);
  });
}

document.querySelectorAll("[data-readings]").forEach(readable);
