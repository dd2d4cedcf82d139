// The page of a running measurement: levels, strip, spectrum, travel, courses, events, marks, sounds.
"use strict";

const cues = JSON.parse($("steered").dataset.cues);
const SPAN_DB = 48; // of a strip, from top to bottom
const SPECTRUM_TOP = 0, SPECTRUM_BOTTOM = -140; // dBFS
const HANDS_ON = ["jack", "pot", "soak"];
const LEVELS_ALONE = ["idle", "tone"]; // checks in which no events are looked for
const LIVE = ["recording", "measuring", "showing", "shown"]; // phases in which a take is on the page
const TITLES = {
  starting: "One moment …", ready: "Ready?", rails: "Supply rails", listening: "Listening to the level …",
  recording: "Recording", showing: "Shown once more:", shown: "Seen:", asking: "What now?", measuring: "Measuring …", over: "Finished",
};
let frame = null;
let drawn = null;
let audio = null;

// --- the moment

function showMoment() {
  const step = moment.step;
  $("where").textContent = [
    moment.name, moment.stage, step ? `step ${moment.number}${moment.of ? ` of ${moment.of}` : ""}` : "",
  ].filter(Boolean).join(" · ");
  let title = TITLES[moment.phase];
  if (step) {
    title = `${title} ${step.check}${step.check === "rails" ? "" : `, ${step.output}`}`;
    if (moment.phase === "rails") title = TITLES.rails;
    if (moment.takes > 1) title += ` – take ${moment.take} of ${moment.takes}`;
  } else if (moment.phase === "over" && (moment.failed || moment.left.length)) {
    title = "Stopped";
  }
  showTitle(title);
  $("prompt").textContent = step && moment.verb !== "shown" ? step.prompt : overWords();
  showDone();
  const live = LIVE.includes(moment.phase);
  $("live").hidden = !live;
  const handsOn = step && HANDS_ON.includes(step.check);
  $("hands").hidden = !(handsOn && steers && moment.phase === "recording");
  $("last").hidden = $("happened").hidden = !step || LEVELS_ALONE.includes(step.check);
  $("spectrum").hidden = Boolean(handsOn);
  $("travel").hidden = !(step && step.check === "pot");
  $("courses").hidden = !(step && step.check === "soak");
  if (!live) frame = null;
}

function overWords() {
  if (moment.verb === "shown") return "";
  const stored = moment.done.length === 1 ? "1 step is" : `${moment.done.length} steps are`;
  const left = moment.left.length ? ` Left: ${moment.left.join(", ")}.` : "";
  return `${stored} measured and stored.${left}`;
}

function showDone() {
  $("done").replaceChildren(...[...moment.done].reverse().map((done) => {
    const item = document.createElement("li");
    const table = document.createElement("table");
    const caption = document.createElement("caption");
    caption.textContent = `${done.number} ${done.check}${done.check === "rails" ? "" : `, ${done.output}`}`;
    table.append(caption);
    for (const reading of done.readings) {
      const row = table.insertRow();
      if (reading.outside) row.className = "outside";
      row.insertCell().textContent = reading.title;
      row.insertCell().textContent = reading.value + (reading.outside ? " – outside its limit" : "");
    }
    item.append(table);
    return item;
  }));
  const link = document.createElement("a");
  link.href = `/unit/${encodeURIComponent(moment.unit)}`;
  link.textContent = "To the unit";
  $("to-unit").replaceChildren(link);
}

// --- the take

function showFrame() {
  if (!frame || frame === drawn || $("live").hidden) return;
  drawn = frame;
  showLevels(frame.levels, (level, n) => `channel ${n + 1}`);
  const left = Math.max(0, frame.of_seconds - frame.seconds);
  const place = frame.place ? `${frame.place}${frame.places > 1 ? ` (${frame.place_number} of ${frame.places})` : ""} · ` : "";
  const lost = frame.lost ? ` · the computer lost audio ${frame.lost}×` : "";
  put($("clock"), `${frame.paused ? "PAUSED · " : ""}${place}${clock(frame.seconds)}, ${clock(left)} left${lost}`);
  const going = frame.going_on[0];
  const last = frame.events[frame.events.length - 1];
  const words = going ? going.words : last ? last.words : moment.phase === "shown" ? "Nothing happened." : "Nothing happened so far.";
  put($("last"), words);
  $("last").classList.toggle("now", Boolean(going));
  drawStrip();
  if (frame.spectrum) drawSpectrum();
  if (!$("travel").hidden) drawTravel();
  if (!$("courses").hidden) drawCourses();
  list($("events"), [...frame.events].reverse().map((event) => `${event.sign} ${event.words}`));
  list($("tallies"), [...frame.tallies.map((tally) => tally.words), ...frame.remarks]);
  window.framesShown = (window.framesShown || 0) + 1;
}

function clock(seconds) {
  const whole = Math.floor(seconds);
  const two = (n) => String(n).padStart(2, "0");
  const hours = Math.floor(whole / 3600);
  return hours ? `${hours}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}` : `${Math.floor(whole / 60)}:${two(whole % 60)}`;
}

// --- drawings

function begin(canvas) {
  const ratio = window.devicePixelRatio || 1;
  const width = canvas.clientWidth, height = canvas.clientHeight;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, width, height);
  pen.font = "14px system-ui, sans-serif";
  pen.lineWidth = 1.5;
  pen.setLineDash([]);
  return { pen, width, height };
}

function colours() {
  const style = getComputedStyle(document.body);
  const probe = $("steered");
  return {
    ink: style.color,
    quiet: read(probe, "--quiet"), line: read(probe, "--line"), act: read(probe, "--act"),
    bad: read(probe, "--bad"), second: read(probe, "--second"), field: read(probe, "--field"),
  };
}

const looks = new Map();
function read(element, name) {
  // A custom property with light-dark() has no plain value: a real property has.
  const known = looks.get(name);
  if (known) return known;
  const dot = document.createElement("i");
  dot.style.setProperty("color", `var(${name})`);
  element.append(dot);
  const colour = getComputedStyle(dot).color;
  dot.remove();
  looks.set(name, colour);
  return colour;
}
const forget = () => looks.clear();
window.addEventListener("look", forget);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", forget);

const LEFT = 44, BOTTOM = 22, SIGNS = 22; // room for scale, time and event signs

function drawStrip() {
  const { pen, width, height } = begin($("strip"));
  const ink = colours();
  const strip = frame.strip;
  const lanes = strip.high.length;
  const known = strip.high.flat().filter((level) => level !== null);
  const top = known.length ? 6 * Math.ceil(Math.max(...known) / 6) : 0;
  const lane = (height - BOTTOM - SIGNS) / lanes;
  const x = (column) => LEFT + (column / strip.high[0].length) * (width - LEFT);
  for (let channel = 0; channel < lanes; channel++) {
    const floor = (channel + 1) * lane - 2;
    const y = (level) => floor - Math.max(0, Math.min(1, 1 + (level - top) / SPAN_DB)) * (lane - 6);
    for (const [levels, colour] of [[strip.high[channel], ink.line], [strip.low[channel], ink.act]]) {
      pen.fillStyle = colour;
      pen.beginPath();
      pen.moveTo(x(0), floor);
      levels.forEach((level, column) => {
        const height = level === null ? floor : y(level);
        pen.lineTo(x(column), height);
        pen.lineTo(x(column + 1), height);
      });
      pen.lineTo(width, floor);
      pen.fill();
    }
    pen.fillStyle = ink.ink;
    pen.fillText(`${top}`, 4, channel * lane + 15);
    pen.fillText(`${top - SPAN_DB}`, 4, floor - 2);
  }
  pen.fillStyle = ink.quiet;
  pen.fillText(`${strip.seconds} s ago`, LEFT, height - 6);
  pen.textAlign = "right";
  pen.fillText("now", width - 4, height - 6);
  pen.textAlign = "center";
  pen.font = "bold 18px ui-monospace, monospace";
  pen.fillStyle = ink.bad;
  const signs = [...frame.events, ...frame.going_on.map((one) => ({ ...one, end: frame.seconds }))];
  for (const event of signs) {
    const at = LEFT + ((event.start - strip.start) / strip.seconds) * (width - LEFT);
    if (at < LEFT) continue;
    pen.fillText(event.sign, at, height - BOTTOM - 4);
    pen.fillRect(at - 0.75, 0, 1.5, height - BOTTOM - SIGNS);
  }
  pen.textAlign = "left";
}

function drawSpectrum() {
  const { pen, width, height } = begin($("spectrum"));
  const ink = colours();
  const { from, to, levels } = frame.spectrum;
  const x = (hz) => LEFT + (Math.log(hz / from) / Math.log(to / from)) * (width - LEFT);
  const y = (level) => ((SPECTRUM_TOP - level) / (SPECTRUM_TOP - SPECTRUM_BOTTOM)) * (height - BOTTOM);
  pen.fillStyle = ink.quiet;
  pen.strokeStyle = ink.line;
  for (let level = SPECTRUM_TOP; level > SPECTRUM_BOTTOM; level -= 40) {
    pen.globalAlpha = 0.4;
    pen.beginPath();
    pen.moveTo(LEFT, y(level));
    pen.lineTo(width, y(level));
    pen.stroke();
    pen.globalAlpha = 1;
    pen.fillText(`${level}`, 2, y(level) + 14);
  }
  for (const hz of [100, 1000, 10000]) {
    const text = hz < 1000 ? `${hz} Hz` : `${hz / 1000} kHz`;
    pen.fillText(text, Math.min(x(hz) - 14, width - pen.measureText(text).width - 2), height - 5);
  }
  const mains = moment.step && moment.step.mains;
  if (mains) {
    pen.setLineDash([2, 4]);
    pen.strokeStyle = ink.second;
    for (let n = 1; n <= 10; n++) {
      pen.beginPath();
      pen.moveTo(x(n * mains), 0);
      pen.lineTo(x(n * mains), height - BOTTOM);
      pen.stroke();
    }
    pen.setLineDash([]);
    pen.fillStyle = ink.second;
    pen.fillText(`mains ${mains} Hz`, x(mains) + 4, 14);
  }
  levels.forEach((channel, n) => {
    pen.strokeStyle = n ? ink.bad : ink.act;
    pen.setLineDash(n ? [6, 3] : []);
    pen.beginPath();
    channel.forEach((level, column) => {
      if (level === null) return;
      const at = LEFT + ((column + 0.5) / channel.length) * (width - LEFT);
      pen.lineTo(at, Math.min(height - BOTTOM, y(level)));
    });
    pen.stroke();
  });
  pen.setLineDash([]);
  pen.textAlign = "right";
  pen.fillStyle = ink.ink;
  const narrow = width < 480; // the mains are named in the first line already
  pen.fillText(levels.length > 1 ? "dBFS; channel 1 solid, 2 dashed" : "dBFS", width - 6, narrow ? 30 : 14);
  pen.textAlign = "left";
}

function drawTravel() {
  const { pen, width, height } = begin($("travel"));
  const ink = colours();
  const lanes = frame.turned.flatMap((one) => one.channels.map((channel) => ({ one, channel })));
  pen.fillStyle = ink.ink;
  if (!lanes.length) {
    pen.fillText("Turn the control slowly from end to end: its travel is not known yet.", 8, 24);
    return;
  }
  const lane = (height - BOTTOM) / lanes.length;
  const x = (percent) => LEFT + (percent / 100) * (width - LEFT - 8);
  lanes.forEach(({ one, channel }, n) => {
    const most = Math.max(1, one.passes);
    const floor = (n + 1) * lane - 4;
    pen.strokeStyle = ink.line;
    pen.strokeRect(x(0), n * lane + 4, x(100) - x(0), lane - 8);
    pen.fillStyle = ink.ink;
    pen.fillText(`ch ${channel.channel}`, 4, n * lane + lane / 2);
    channel.hits.forEach((hits, cell) => {
      if (!hits) return;
      const tall = (hits / most) * (lane - 10);
      pen.fillStyle = ink.bad;
      pen.fillRect(x(channel.edges[cell]), floor - tall, Math.max(2, x(channel.edges[cell + 1]) - x(channel.edges[cell])), tall);
    });
    if (one.position !== null) {
      pen.fillStyle = ink.second;
      pen.fillRect(x(one.position) - 1.5, n * lane + 2, 3, lane - 4);
    }
  });
  pen.fillStyle = ink.quiet;
  pen.fillText("0 %", x(0), height - 6);
  pen.textAlign = "center";
  const passes = lanes[0].one.passes;
  pen.fillText(`worn places over the travel, as high as the share of ${passes} pass${passes === 1 ? "" : "es"} in which they crackled`, width / 2, height - 6);
  pen.textAlign = "right";
  pen.fillText("100 %", x(100), height - 6);
  pen.textAlign = "left";
  $("travel").setAttribute("aria-label", `Worn places after ${passes} passes`);
}

function drawCourses() {
  const { pen, width, height } = begin($("courses"));
  const ink = colours();
  const courses = frame.courses.filter((course) => course.points.length > 1).slice(0, 8);
  pen.fillStyle = ink.ink;
  if (!courses.length) {
    pen.fillText("The courses begin after some seconds.", 8, 24);
    return;
  }
  const lane = height / courses.length;
  const end = Math.max(...courses.map((course) => course.points[course.points.length - 1][0]));
  courses.forEach((course, n) => {
    const values = course.points.map((point) => point[1]).filter((value) => value !== null);
    const low = Math.min(...values), high = Math.max(...values, low + 0.1);
    pen.strokeStyle = ink.act;
    pen.beginPath();
    for (const [seconds, value] of course.points) {
      if (value === null) continue;
      pen.lineTo(160 + (seconds / end) * (width - 168), n * lane + 4 + (1 - (value - low) / (high - low)) * (lane - 8));
    }
    pen.stroke();
    pen.fillText(`${course.name} ${course.channel}: ${values[values.length - 1].toFixed(1)} ${course.unit}`, 4, n * lane + lane / 2 + 4);
  });
}

// --- what the person does

for (const button of document.querySelectorAll("[data-do]")) {
  button.addEventListener("click", () => { send({ do: button.dataset.do }); button.blur(); });
}
const marks = [...document.querySelectorAll("[data-mark]")];
for (const button of marks) {
  button.addEventListener("click", () => { send({ do: "mark", text: button.dataset.mark }); button.blur(); });
}

onKeys((pressed) => {
  if (moment.phase !== "recording") return false;
  if (pressed === " ") send({ do: "next place" });
  else if (pressed === "p") send({ do: "pause" });
  else if (pressed === "m") send({ do: "mark", text: "mark" });
  else if (marks[Number(pressed) - 1]) send({ do: "mark", text: marks[Number(pressed) - 1].dataset.mark });
  else return false;
  return true;
});

// --- sounds, from the device that shows the page

$("sounds").addEventListener("change", () => {
  $("sounds-note").hidden = !$("sounds").checked;
  if ($("sounds").checked && !audio) audio = new AudioContext();
  if (audio && $("sounds").checked) sound("mark", 0);
  $("sounds").blur();
});

function sound(kind, after) {
  const cue = cues[kind];
  if (!cue || !audio || !$("sounds").checked) return;
  let start = audio.currentTime + after;
  for (let pip = 0; pip < cue.pips; pip++) {
    const tone = audio.createOscillator(), volume = audio.createGain();
    const end = start + cue.pip_ms / 1000;
    tone.type = cue.buzz ? "square" : "sine";
    tone.frequency.value = cue.hz;
    volume.gain.setValueAtTime(0, start);
    volume.gain.linearRampToValueAtTime(0.25, start + 0.008);
    volume.gain.setValueAtTime(0.25, end - 0.008);
    volume.gain.linearRampToValueAtTime(0, end);
    tone.connect(volume).connect(audio.destination);
    tone.start(start);
    tone.stop(end);
    start = end + cue.gap_ms / 1000;
  }
}

connect("/live", showMoment, {
  seen(message) {
    frame = message;
    requestAnimationFrame(showFrame);
  },
  alerts(message) {
    message.kinds.forEach((kind, n) => sound(kind, n * 0.4));
  },
});
