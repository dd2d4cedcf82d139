// The steps at the rig. The page shows what the program sends and sends what the person does; it
// works nothing out by itself, so that a reload loses nothing.
"use strict";

const $ = (id) => document.getElementById(id);
const KEYS = { go: "space", skip: "s", stop: "q" };

let socket = null;
let moment = null;
let steers = false;
let running = null;

// --- the program

function connect() {
  socket = new WebSocket(`ws://${location.host}/rig/live`);
  socket.binaryType = "arraybuffer";
  socket.onopen = () => {
    $("connection").hidden = true;
    send({ page: pageName() });
  };
  socket.onmessage = (message) => {
    const text = typeof message.data === "string" ? message.data : new TextDecoder().decode(message.data);
    take(JSON.parse(text));
  };
  socket.onclose = () => {
    $("connection").hidden = false;
    $("connection").textContent =
      "The program does not answer. What it has stored is safe; if it still runs, this page goes on by itself.";
    setTimeout(connect, 1000);
  };
}

function send(words) {
  if (socket && socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify(words));
}

function take(message) {
  if (message.kind === "moment") {
    moment = message.moment;
    steers = message.steers;
    if (moment) showMoment();
  } else if (message.kind === "running") {
    running = message;
    requestAnimationFrame(showLevels);
  } else if (message.kind === "words") {
    list($("sayings"), message.words);
  }
}

// --- the moment

function list(place, texts) {
  place.replaceChildren(...texts.map((text) => {
    const item = document.createElement("li");
    item.textContent = text.trim();
    return item;
  }));
}

function showMoment() {
  const over = moment.phase === "over";
  $("steps").dataset.phase = moment.phase;
  $("steps").dataset.question = moment.question;
  $("where").textContent = [
    moment.rig, moment.of > 1 && !over ? `step ${moment.number} of ${moment.of}` : "",
    moment.sounding ? "a test signal is playing" : "",
  ].filter(Boolean).join(" · ");
  const title = moment.failed ? "Not done" : over && !moment.results.length ? "Stopped" : moment.title;
  $("what").textContent = title;
  document.title = `${title} – sigbench`;
  $("prompt").textContent = over && moment.stored ? "Stored with the rig." : moment.prompt;
  $("cautions").replaceChildren(...moment.cautions.map((text) => {
    const caution = document.createElement("p");
    caution.className = "caution";
    caution.textContent = `Caution: ${text}`;
    return caution;
  }));
  list($("sayings"), moment.failed ? [moment.failed, ...moment.sayings] : moment.sayings);
  list($("results"), moment.results);
  $("others").hidden = steers || over;
  $("back").hidden = !over;
  showWiring();
  showFields();
  showChoices();
  if (over || moment.phase === "starting") running = null;
  showLevels();
}

function showWiring() {
  const place = $("drawing");
  place.hidden = !moment.wiring;
  if (place.dataset.shown === moment.wiring) return;
  place.dataset.shown = moment.wiring;
  place.replaceChildren();
  if (!moment.wiring) return;
  const drawn = new DOMParser().parseFromString(moment.wiring, "image/svg+xml").documentElement;
  place.append(document.importNode(drawn, true));
}

function showFields() {
  const form = $("typed");
  form.hidden = !(moment.fields.length && steers);
  if (form.hidden || form.dataset.question === String(moment.question)) return;
  form.dataset.question = moment.question;
  form.replaceChildren(...moment.fields.map((field) => {
    const label = document.createElement("label");
    const input = document.createElement(field.options.length ? "select" : "input");
    for (const [value, words] of field.options) input.append(new Option(words, value));
    input.name = field.name;
    input.value = field.value;
    if (!field.options.length) {
      input.autocomplete = "off";
      input.maxLength = 200;
    }
    label.append(field.label, input);
    return label;
  }));
  const go = moment.choices.find((choice) => choice.answer === "go");
  const button = document.createElement("button");
  button.className = "large";
  button.append(go ? go.words : "Go on", key("enter"));
  form.append(button);
  const first = form.querySelector("input");
  if (first) {
    first.focus();
    first.select();
  }
}

$("typed").addEventListener("submit", (event) => {
  event.preventDefault();
  send({ do: "typed", question: moment.question, fields: Object.fromEntries(new FormData($("typed"))) });
});

function showChoices() {
  $("choices").replaceChildren();
  if (!steers) return;
  for (const choice of moment.choices) {
    if (choice.answer === "go" && moment.fields.length) continue; // the form has its own
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.answer = choice.answer;
    if (choice.answer !== "go") button.className = "plain";
    button.append(choice.words, key(KEYS[choice.answer]));
    button.addEventListener("click", () => answer(choice.answer));
    $("choices").append(button);
  }
}

function key(name) {
  const shown = document.createElement("kbd");
  shown.textContent = name;
  return shown;
}

function answer(words) {
  send({ do: "answer", question: moment.question, answer: words });
}

// --- the levels

function showLevels() {
  $("live").hidden = !running;
  if (!running) return;
  const of = running.of_seconds;
  $("clock").textContent = moment && moment.phase === "working" && of ? `${running.seconds.toFixed(0)} s of ${of.toFixed(0)} s` : "";
  const place = $("levels");
  place.className = running.levels.length > 2 ? "many" : "";
  while (place.children.length > running.levels.length) place.lastChild.remove();
  while (place.children.length < running.levels.length) {
    const box = document.createElement("div");
    box.className = "level";
    box.innerHTML = '<div class="figure"><span></span> <small>dBFS</small></div><p></p>';
    place.append(box);
  }
  running.levels.forEach((level, n) => {
    const box = place.children[n];
    box.querySelector("span").textContent = figure(level.rms);
    box.querySelector("p").textContent = `input ${level.jack}, peak ${figure(level.peak)} dBFS: ${level.word}`;
  });
}

function figure(dbfs) {
  return dbfs === null ? "–" : dbfs.toFixed(1).replace("-", "−");
}

// --- what the person does

$("take-over").addEventListener("click", () => send({ do: "take over" }));

document.addEventListener("keydown", (event) => {
  if (event.repeat || event.ctrlKey || event.altKey || event.metaKey || !moment || !steers) return;
  if (event.target.closest("input, select, textarea, button, a, summary")) return;
  const can = moment.choices.map((choice) => choice.answer);
  const does = Object.keys(KEYS).find((words) => KEYS[words] === (event.key === " " ? "space" : event.key));
  if (!does || !can.includes(does)) return;
  if (does === "go" && moment.fields.length) $("typed").requestSubmit();
  else answer(does);
  event.preventDefault();
});

connect();
