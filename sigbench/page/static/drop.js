// Recordings made elsewhere: chosen or dropped, sent one after the other in one body, and what came
// of them. Nothing is measured here.
"use strict";

const MOST_BYTES = 2 ** 30; // the program says so too

const drop = document.getElementById("drop");
if (drop) {
  const part = (name) => document.getElementById(`drop-${name}`);
  const input = drop.elements.files;
  let sending = null;

  const ready = () => { part("send").disabled = !input.files.length || Boolean(sending); };
  const say = (text, wrong = false) => {
    part("said").textContent = text;
    part("said").classList.toggle("notice", wrong);
  };
  const size = (bytes) => (bytes < 1e6 ? `${Math.ceil(bytes / 1e3)} kB` : `${(bytes / 1e6).toFixed(1)} MB`);

  function chosen() {
    const files = [...input.files];
    const names = files.map((file) => `${file.name} (${size(file.size)})`).join(", ");
    say(files.length ? `${names}: say which step it is, then measure it.` : "");
    part("result").hidden = true;
    ready();
  }

  function add(list, tag, text) {
    const item = document.createElement(tag);
    item.textContent = text;
    list.append(item);
    return item;
  }

  function show(result) {
    say(result.sentence);
    part("remarks").replaceChildren();
    for (const remark of result.remarks) add(part("remarks"), "li", remark);
    part("lines").replaceChildren();
    for (const line of result.lines) {
      const row = add(part("lines"), "tr", "");
      add(row, "th", line.title).scope = "row";
      const value = add(row, "td", line.value);
      if (!line.outside) continue;
      row.className = "outside";
      add(value, "strong", " outside its limit");
    }
    part("result").hidden = false;
    input.value = drop.elements.step.value = ""; // the next one is likely of the same stage and recorder
    ready();
  }

  function ended() {
    sending = null;
    part("going").hidden = true;
    ready();
  }

  drop.addEventListener("submit", (event) => {
    event.preventDefault();
    const files = [...input.files];
    if (sending || !files.length) return;
    if (files.reduce((sum, file) => sum + file.size, 0) > MOST_BYTES) {
      say("That is more than 1 GB: cut out the part that matters, or use the command line.", true);
      return;
    }
    const query = new URLSearchParams();
    for (const name of ["stage", "step", "recorder", "gain", "operator"]) query.set(name, drop.elements[name].value);
    for (const file of files) {
      query.append("name", file.name);
      query.append("bytes", file.size);
    }
    sending = new XMLHttpRequest();
    sending.open("POST", `${drop.dataset.sendTo}?${query}`);
    sending.setRequestHeader("Accept", "text/plain");
    sending.upload.addEventListener("progress", (progress) => {
      part("progress").value = progress.loaded / progress.total;
      say(`Sent ${size(progress.loaded)} of ${size(progress.total)} …`);
    });
    sending.upload.addEventListener("load", () => {
      part("progress").removeAttribute("value");
      say("Measuring: this takes some seconds, for hours of audio some minutes …");
    });
    sending.addEventListener("load", () => {
      const { status, responseText } = sending;
      ended();
      if (status === 200) show(JSON.parse(responseText));
      else say(responseText || "That was not done: look at the bench.", true);
    });
    sending.addEventListener("error", () => {
      ended();
      // A file that is refused in mid-air ends the connection before the answer is read.
      say("It was not taken to the end: is it an audio file, and is the program still running?", true);
    });
    sending.addEventListener("abort", () => {
      ended();
      say("Stopped.");
    });
    part("result").hidden = true;
    part("progress").value = 0;
    part("going").hidden = false;
    say("Sending …");
    ready();
    sending.send(new Blob(files));
  });

  part("stop").addEventListener("click", () => sending && sending.abort());
  input.addEventListener("change", chosen);
  ready();

  const zone = part("zone");
  const holdsFiles = (event) => event.dataTransfer && [...event.dataTransfer.types].includes("Files");
  // A file that misses the zone would take the place of the page.
  for (const kind of ["dragover", "drop"]) {
    window.addEventListener(kind, (event) => { if (holdsFiles(event)) event.preventDefault(); });
  }
  zone.addEventListener("dragenter", (event) => holdsFiles(event) && zone.classList.add("over"));
  zone.addEventListener("dragover", (event) => holdsFiles(event) && zone.classList.add("over"));
  zone.addEventListener("dragleave", (event) => { if (!zone.contains(event.relatedTarget)) zone.classList.remove("over"); });
  zone.addEventListener("drop", (event) => {
    zone.classList.remove("over");
    if (!holdsFiles(event) || sending) return;
    input.files = event.dataTransfer.files;
    chosen();
  });
}
