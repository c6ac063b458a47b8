// Keeps a step of a commissioning fresh, and carries answers over broken connections. Everything works without it too.
"use strict";

const lost = document.querySelector(".lost");
let source = null;

// Puts a page in place of this one's content, and begins anew.
function put(text) {
  const fresh = new DOMParser().parseFromString(text, "text/html");
  const [here, there] = [document.querySelector("main"), fresh.querySelector("main")];
  if (!there) return location.reload();
  here.replaceWith(there);
  // Whoever was just let in is told whose home it is, and finds the way to all steps.
  const [head, headNow] = [document.querySelector("header"), fresh.querySelector("header")];
  if (headNow) head.replaceWith(headNow);
  document.title = fresh.title;
  lost.hidden = true;
  begin();
  scrollTo(0, 0);
  (there.querySelector("[aria-invalid]") ?? there.querySelector("h1"))?.focus();
}

async function look() {
  try {
    const answer = await fetch(location.pathname, { cache: "no-store" });
    put(await answer.text());
  } catch {
    lost.hidden = false;
    setTimeout(look, 2000);
  }
}

function begin() {
  source?.close();
  source = null;
  const step = document.querySelector("[data-stream]");
  if (!step) return;
  const own = (source = new EventSource(step.dataset.stream));
  own.addEventListener("turn", ({ data }) => {
    if (data !== step.dataset.turn) {
      own.close();
      look();
    }
  });
  own.addEventListener("live", ({ data }) => {
    lost.hidden = true;
    const live = step.querySelector(".live");
    if (live) live.innerHTML = data;
  });
  own.addEventListener("error", () => {
    lost.hidden = false;
    // A browser that gave up for good starts again from here.
    if (own.readyState === EventSource.CLOSED) setTimeout(() => own === source && look(), 2000);
  });
}

addEventListener("submit", async (event) => {
  const form = event.target;
  event.preventDefault();
  const fields = new FormData(form);
  if (event.submitter?.name) fields.append(event.submitter.name, event.submitter.value);
  const buttons = [...form.querySelectorAll("button")];
  buttons.forEach((button) => (button.disabled = true));
  try {
    const answer = await fetch(form.action, { method: "POST", body: new URLSearchParams(fields), cache: "no-store" });
    if (answer.redirected) history.replaceState(null, "", new URL(answer.url).pathname);
    put(await answer.text());
  } catch {
    // Pressed once more it counts once: the answer names its question.
    buttons.forEach((button) => (button.disabled = false));
    lost.hidden = false;
  }
});

// A phone that was locked shows what it is now.
addEventListener("pageshow", (event) => event.persisted && look());
document.addEventListener("visibilitychange", () => {
  if (!document.hidden && source?.readyState === EventSource.CLOSED) look();
});

begin();
