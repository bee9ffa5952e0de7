// Pairs this device: takes the code out of the address, sends it in the body of a request, and keeps nothing.
"use strict";

const byId = (id) => document.getElementById(id);
const setText = (id, text) => { byId(id).textContent = text; };

// Plain fetch: other modes make the browser hide where the request comes from, and the server refuses that.
async function send(path, body) {
  try {
    const answer = await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(15_000),
    });
    const told = await answer.json();
    return answer.ok ? told : { problem: told.problem || `The daemon answered ${answer.status}.` };
  } catch {
    return { problem: "The daemon does not answer. Is this device on the vehicle’s network?" };
  }
}

const sentence = (words) => words.charAt(0).toUpperCase() + words.slice(1) + (/[.!?]$/.test(words) ? "" : ".");
const trouble = (words) => setText("trouble", words ? `✕ ${sentence(words)}` : "");

// The code leaves the address bar and the history at once; a page that is reloaded or shared has none.
function takeCode() {
  const code = /^#([0-9]{8})$/.exec(location.hash)?.[1];
  if (location.hash) history.replaceState(null, "", location.pathname);
  if (code) byId("code").value = code;
}

function show(me) {
  const paired = Boolean(me.name);
  byId("ask").hidden = paired;
  byId("unpair").hidden = !paired;
  byId("home").hidden = !paired && me.may_look === false;
  setText("state", paired ? `✓ This device is paired as ${me.name}.` : "");
  trouble(me.problem || "");
}

async function look() {
  try {
    const answer = await fetch("/me.json", { cache: "no-store", signal: AbortSignal.timeout(15_000) });
    show(await answer.json());
  } catch {
    byId("ask").hidden = false;
    trouble("The daemon does not answer. Is this device on the vehicle’s network?");
  }
}

byId("ask").addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = event.submitter || byId("ask").querySelector("button");
  button.disabled = true;
  trouble("");
  const told = await send("/pair", { code: byId("code").value, name: byId("name").value });
  button.disabled = false;
  if (told.problem) {
    trouble(told.problem);
    byId("code").focus();
    return;
  }
  byId("code").value = "";
  await look();
  byId("home").focus();
});

byId("unpair").addEventListener("click", async () => {
  const told = await send("/unpair", {});
  await look();
  if (told.problem) trouble(told.problem);
});

window.addEventListener("hashchange", takeCode); // a code scanned while the page is open
byId("name").value = matchMedia("(pointer: coarse)").matches ? "phone" : "computer";
takeCode();
look();
