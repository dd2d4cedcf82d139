// What the pages of measuring and of the rig's steps share: they show what the program sends and send
// what the person does. They work nothing out by themselves, so that a reload loses nothing.
"use strict";

const $ = (id) => document.getElementById(id);
const KEYS = { go: "space", keep: "k", skip: "s", stop: "q" };

let socket = null;
let moment = null;
let steers = false;

// --- the program

function connect(address, showMoment, also) {
  socket = new WebSocket(`ws://${location.host}${address}`);
  socket.binaryType = "arraybuffer";
  socket.onopen = () => {
    $("connection").hidden = true;
    send({ page: pageName() });
  };
  socket.onmessage = (event) => {
    const text = typeof event.data === "string" ? event.data : new TextDecoder().decode(event.data);
    const message = JSON.parse(text);
    if (message.kind === "moment") {
      moment = message.moment;
      steers = message.steers;
      if (moment) {
        showAsked();
        showMoment();
      }
    } else if (message.kind === "words") {
      list($("sayings"), message.words);
    } else {
      also[message.kind](message);
    }
  };
  socket.onclose = () => {
    $("connection").hidden = false;
    $("connection").textContent =
      "The program does not answer. What it has stored is safe; if it still runs, this page goes on by itself.";
    setTimeout(() => connect(address, showMoment, also), 1000);
  };
}

function send(words) {
  if (socket && socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify(words));
}

// --- the moment

// What is the same as before is left alone: the browser then draws nothing anew.
function put(place, text) {
  if (place.textContent !== text) place.textContent = text;
}

function list(place, texts) {
  const shown = JSON.stringify(texts);
  if (place.dataset.shown === shown) return;
  place.dataset.shown = shown;
  place.replaceChildren(...texts.map((text) => {
    const item = document.createElement("li");
    item.textContent = text;
    return item;
  }));
}

function showAsked() {
  $("steered").dataset.phase = moment.phase;
  $("steered").dataset.question = moment.question;
  list($("sayings"), moment.failed ? [moment.failed, ...moment.sayings] : moment.sayings);
  $("others").hidden = steers || moment.phase === "over";
  showFields();
  showChoices();
}

function showTitle(title) {
  $("what").textContent = title;
  document.title = `${title} – sigbench`;
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
      input.placeholder = field.hint;
    }
    label.append(field.label, input);
    return label;
  }));
  const button = document.createElement("button");
  button.className = "large";
  button.append(moment.choices.find((choice) => choice.answer === "go").words, key("enter"));
  form.append(button);
  const first = form.querySelector("input");
  if (first) {
    first.focus();
    first.select();
  }
}

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

// --- levels

function showLevels(levels, words) {
  const place = $("levels");
  place.className = levels.length > 2 ? "many" : "";
  while (place.children.length > levels.length) place.lastChild.remove();
  while (place.children.length < levels.length) {
    const box = document.createElement("div");
    box.className = "level";
    box.innerHTML = '<div class="figure"><span></span> <small>dBFS</small></div><p></p>';
    place.append(box);
  }
  levels.forEach((level, n) => {
    const box = place.children[n];
    put(box.querySelector("span"), figure(level.rms));
    put(box.querySelector("p"), `${words(level, n)}, peak ${figure(level.peak)} dBFS: ${level.word}`);
  });
}

function figure(dbfs) {
  return dbfs === null ? "–" : dbfs.toFixed(1).replace("-", "−");
}

// --- what the person does

function answer(words) {
  send({ do: "answer", question: moment.question, answer: words });
}

$("typed").addEventListener("submit", (event) => {
  event.preventDefault();
  send({ do: "typed", question: moment.question, fields: Object.fromEntries(new FormData($("typed"))) });
});

$("take-over").addEventListener("click", () => send({ do: "take over" }));

// Keys of the page's own come first: `does` tells whether one was for it.
function onKeys(does) {
  document.addEventListener("keydown", (event) => {
    if (event.repeat || event.ctrlKey || event.altKey || event.metaKey || !moment || !steers) return;
    if (event.target.closest("input, select, textarea, button, a, summary")) return;
    if (does(event.key) || answers(event.key === " " ? "space" : event.key)) event.preventDefault();
  });
}

function answers(pressed) {
  const words = Object.keys(KEYS).find((one) => KEYS[one] === pressed);
  if (!words || !moment.choices.some((choice) => choice.answer === words)) return false;
  if (words === "go" && moment.fields.length) $("typed").requestSubmit();
  else answer(words);
  return true;
}
