// The comparison: figures at the pointer of a plot, and events to listen to.
"use strict";

const SVG = "http://www.w3.org/2000/svg";
const SPOT_DB = 60; // of a drawn level, from its top down
let playing = null;

document.getElementById("print").addEventListener("click", () => window.print());
for (const plot of document.querySelectorAll("[data-figures]")) read(plot);
for (const button of document.querySelectorAll("[data-listen]")) {
  button.addEventListener("click", () => listen(button));
}

function make(name, props = {}, ...inside) {
  const made = Object.assign(document.createElement(name), props);
  made.append(...inside);
  return made;
}

function number(value, digits) {
  return value.toFixed(digits).replace("-", "−");
}

// --- figures of a plot

async function read(plot) {
  let answer;
  try {
    answer = await fetch(plot.dataset.figures, { headers: { Accept: "text/plain" } });
  } catch {
    return; // the picture is there all the same
  }
  if (!answer.ok) return;
  const found = await answer.json();
  const drawing = plot.querySelector(".drawing");
  const overlay = document.createElementNS(SVG, "svg");
  overlay.setAttribute("aria-hidden", "true");
  drawing.append(overlay);
  const pointers = found.panels.filter((panel) => panel.before || panel.after)
    .map((panel) => pointer(plot, overlay, found, panel));
  drawing.addEventListener("pointermove", (event) => {
    const box = drawing.getBoundingClientRect();
    const share = (event.clientX - box.left) / box.width;
    const at = pointers.find(({ panel }) => share >= panel.left && share <= panel.right);
    if (at) at.show(nearest(at.grid, value(at.panel, share)), true);
  });
}

function pointer(plot, overlay, found, panel) {
  const grid = (panel.after || panel.before).x;
  const words = [panel.title, found.x_unit === "Hz" ? "frequency" : "place"].filter(Boolean).join(", ");
  const slider = make("input", { type: "range", min: 0, max: grid.length - 1, step: 1 });
  const said = make("output");
  plot.querySelector(".pointers").append(make("label", {}, `Figures – ${words} `, slider), said);
  const marks = document.createElementNS(SVG, "g");
  overlay.append(marks);

  function show(index, drawn) {
    slider.value = index;
    const x = grid[index];
    const sides = ["before", "after"].filter((side) => panel[side]).map((side) => {
      const at = nearest(panel[side].x, x);
      return { side, x: panel[side].x[at], y: panel[side].y[at] };
    });
    const place = (x, digits) => `${number(x, digits)} ${found.x_unit}`;
    const text = `at ${place(x, 1)}: ` + sides.map((one) => {
      const level = one.y <= found.floor ? "nothing at all" : `${number(one.y, 1)} ${found.y_unit}`;
      const elsewhere = Math.abs(one.x - x) > 0.05 ? ` (at ${place(one.x, 1)})` : "";
      return `${found[one.side] || found.after} ${level}${elsewhere}`;
    }).join("; ");
    said.textContent = text;
    slider.setAttribute("aria-valuetext", text);
    marks.replaceChildren();
    if (!drawn) return;
    draw("line", { x1: across(panel, x), x2: across(panel, x), y1: panel.top, y2: panel.bottom });
    for (const one of sides) {
      draw("circle", { cx: across(panel, one.x), cy: down(panel, one.y), r: 4, class: one.side }, ["cx", "cy"]);
    }
  }

  function draw(name, places, shares = Object.keys(places)) {
    const mark = document.createElementNS(SVG, name);
    for (const [key, place] of Object.entries(places)) {
      mark.setAttribute(key, shares.includes(key) ? `${100 * place}%` : place);
    }
    marks.append(mark);
  }

  for (const moved of ["input", "focus"]) {
    slider.addEventListener(moved, () => {
      show(Number(slider.value), true);
      const scroller = overlay.closest(".scroll"); // of a narrow screen
      scroller.scrollLeft = across(panel, grid[slider.value]) * overlay.clientWidth - scroller.clientWidth / 2;
    });
  }
  const heights = (panel.after || panel.before).y;
  show(heights.indexOf(Math.max(...heights)), false);
  return { panel, grid, show };
}

function scale(panel) {
  return panel.logarithmic ? Math.log : (x) => x;
}

function across(panel, x) {
  const on = scale(panel), [low, high] = panel.x_span.map(on);
  return panel.left + ((on(x) - low) / (high - low)) * (panel.right - panel.left);
}

function value(panel, share) {
  const [low, high] = panel.x_span.map(scale(panel));
  const place = low + ((share - panel.left) / (panel.right - panel.left)) * (high - low);
  return panel.logarithmic ? Math.exp(place) : place;
}

function down(panel, y) {
  const [low, high] = panel.y_span;
  const share = Math.min(Math.max((y - low) / (high - low), 0), 1);
  return panel.bottom - share * (panel.bottom - panel.top);
}

function nearest(grid, x) {
  let best = 0;
  for (let k = 1; k < grid.length; k++) if (Math.abs(grid[k] - x) < Math.abs(grid[best] - x)) best = k;
  return best;
}

// --- listening

async function listen(button) {
  const item = button.closest("li");
  const there = item.querySelector(".listening");
  if (there) {
    there.querySelector("audio")?.pause();
    there.remove();
    button.setAttribute("aria-expanded", "false");
    return;
  }
  const box = make("div", { className: "listening" });
  const status = make("p", { role: "status", textContent: "Fetching …" });
  box.append(status);
  item.append(box);
  button.setAttribute("aria-expanded", "true");
  const query = `at=${encodeURIComponent(button.dataset.at)}`;
  let level;
  try {
    const answer = await fetch(`${button.dataset.listen}/level?${query}`, { headers: { Accept: "text/plain" } });
    if (!answer.ok) {
      status.textContent = await answer.text();
      return;
    }
    level = await answer.json();
  } catch {
    status.textContent = "The program does not answer: is it still running?";
    return;
  }
  const peak = level.peak === null ? "There is no sound at all in it." : `Its peak is ${number(level.peak, 1)} dBFS.`;
  status.textContent = `${button.dataset.heard} ${peak}`;
  const canvas = make("canvas", { className: "around" });
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", `Level over ${number(level.seconds, 2)} s, marked at ${number(level.spot, 2)} s.`);
  const audio = make("audio", { controls: true, src: `${button.dataset.listen}/around?${query}` });
  audio.setAttribute("aria-label", "Around the event");
  box.append(canvas, audio);
  const redraw = () => drawLevel(canvas, level, audio);
  const follow = () => {
    redraw();
    if (!audio.paused && box.isConnected) requestAnimationFrame(follow);
  };
  audio.addEventListener("play", () => {
    if (playing && playing !== audio) playing.pause();
    playing = audio;
    follow();
  });
  for (const moved of ["pause", "seeked", "ended"]) audio.addEventListener(moved, redraw);
  audio.addEventListener("error", () => { status.textContent = "This could not be played: open the comparison again."; });
  new ResizeObserver(redraw).observe(canvas);
  window.addEventListener("look", redraw);
  audio.play().catch(() => {}); // a browser that wants a press on the player itself
}

function drawLevel(canvas, level, audio) {
  const ratio = window.devicePixelRatio || 1;
  const width = canvas.clientWidth, height = canvas.clientHeight;
  canvas.width = Math.round(width * ratio);
  canvas.height = Math.round(height * ratio);
  const pen = canvas.getContext("2d");
  pen.scale(ratio, ratio);
  const look = getComputedStyle(canvas);
  const top = 10 * Math.ceil(Math.max(...level.channels.flatMap((one) => one.high), level.floor) / 10);
  const lane = height / level.channels.length;
  const x = (seconds) => (seconds / level.seconds) * width;
  pen.fillStyle = look.color;
  level.channels.forEach((one, n) => {
    const y = (db) => lane * (n + Math.min(Math.max((top - db) / SPOT_DB, 0), 1) * 0.9 + 0.05);
    const step = width / one.high.length;
    const fill = (k, edge) => pen.fillRect(k * step, y(edge), step + 0.5, lane * (n + 0.97) - y(edge));
    pen.globalAlpha = 0.35; // up to the highest level; as far as the lowest it is full
    one.high.forEach((high, k) => fill(k, high));
    pen.globalAlpha = 1;
    one.low.forEach((low, k) => fill(k, low));
  });
  pen.strokeStyle = look.outlineColor;
  pen.fillStyle = look.outlineColor;
  pen.lineWidth = 2;
  line(pen, x(level.spot), height, [6, 4]);
  pen.beginPath(); // a mark at the top, for the colour may not tell
  pen.moveTo(x(level.spot) - 7, 0);
  pen.lineTo(x(level.spot) + 7, 0);
  pen.lineTo(x(level.spot), 12);
  pen.fill();
  pen.strokeStyle = look.color;
  if (audio.currentTime > 0) line(pen, x(audio.currentTime), height, []);
}

function line(pen, x, height, dashes) {
  pen.setLineDash(dashes);
  pen.beginPath();
  pen.moveTo(x, 0);
  pen.lineTo(x, height);
  pen.stroke();
}
