// What all pages share: the look, the name of this page, and files that are sent.
"use strict";

const LOOKS = { system: "as the system", light: "light", dark: "dark" };

function pageName() {
  // Of this tab; it outlives a reload, so that the page goes on steering.
  let name = sessionStorage.getItem("page");
  if (!name) {
    name = Array.from(crypto.getRandomValues(new Uint32Array(4)), (part) => part.toString(36)).join("-");
    sessionStorage.setItem("page", name);
  }
  return name;
}

function wear(look) {
  if (look === "system") delete document.documentElement.dataset.look;
  else document.documentElement.dataset.look = look;
  document.getElementById("look").textContent = `Look: ${LOOKS[look]}`;
}

let look = localStorage.getItem("look") in LOOKS ? localStorage.getItem("look") : "system";
wear(look);
document.getElementById("look").addEventListener("click", () => {
  const all = Object.keys(LOOKS);
  look = all[(all.indexOf(look) + 1) % all.length];
  localStorage.setItem("look", look);
  wear(look);
  window.dispatchEvent(new Event("look"));
});

for (const field of document.querySelectorAll("[data-page]")) field.value = pageName();

for (const input of document.querySelectorAll("[data-send]")) {
  input.addEventListener("change", async () => {
    const said = document.getElementById("sent");
    for (const file of input.files) {
      said.textContent = `Sending ${file.name} …`;
      let answer;
      try {
        answer = await fetch(input.dataset.send, { method: "POST", body: file, headers: { Accept: "text/plain" } });
      } catch {
        said.textContent = "The program does not answer: is it still running?";
        return;
      }
      if (!answer.ok) {
        said.textContent = await answer.text();
        return;
      }
    }
    location.reload();
  });
}
