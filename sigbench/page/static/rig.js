// The steps at the rig: the wiring drawn, and the levels of the inputs.
"use strict";

let running = null;

// --- the moment

function showMoment() {
  const over = moment.phase === "over";
  $("where").textContent = [
    moment.rig, moment.of > 1 && !over ? `step ${moment.number} of ${moment.of}` : "",
    moment.sounding ? "a test signal is playing" : "",
  ].filter(Boolean).join(" · ");
  const title = moment.failed ? "Not done" : over && !moment.results.length ? "Stopped" : moment.title;
  showTitle(title);
  $("prompt").textContent = over && moment.stored ? "Stored with the rig." : moment.prompt;
  $("cautions").replaceChildren(...moment.cautions.map((text) => {
    const caution = document.createElement("p");
    caution.className = "caution";
    caution.textContent = `Caution: ${text}`;
    return caution;
  }));
  list($("results"), moment.results);
  $("back").hidden = !over;
  showWiring();
  if (over || moment.phase === "starting") running = null;
  showRunning();
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

// --- the levels

function showRunning() {
  $("live").hidden = !running;
  if (!running) return;
  const of = running.of_seconds;
  $("clock").textContent = moment && moment.phase === "working" && of ? `${running.seconds.toFixed(0)} s of ${of.toFixed(0)} s` : "";
  showLevels(running.levels, (level) => `input ${level.jack}`);
}

onKeys(() => false);
connect("/rig/live", showMoment, {
  running(message) {
    running = message;
    requestAnimationFrame(showRunning);
  },
});
