// Keeps the present fresh. Everything else works without a script.
"use strict";

// Brings `old` to what `fresh` says, in place, so that focus and what is open stay as they are.
function follow(old, fresh) {
  if (old.nodeType !== fresh.nodeType || old.nodeName !== fresh.nodeName) {
    old.replaceWith(fresh.cloneNode(true));
    return;
  }
  if (old.nodeType === Node.TEXT_NODE) {
    if (old.data !== fresh.data) old.data = fresh.data;
    return;
  }
  if (old.nodeType !== Node.ELEMENT_NODE || old.hasAttribute("data-keep")) return;
  for (const { name } of [...old.attributes]) if (!fresh.hasAttribute(name)) old.removeAttribute(name);
  for (const { name, value } of [...fresh.attributes])
    if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  const [have, want] = [[...old.childNodes], [...fresh.childNodes]];
  want.forEach((child, n) => (n < have.length ? follow(have[n], child) : old.append(child.cloneNode(true))));
  have.slice(want.length).forEach((child) => child.remove());
}

function live(place) {
  const lost = document.querySelector(".lost");
  const source = new EventSource(place.dataset.live);
  source.addEventListener("present", (event) => {
    const fresh = document.createElement("template");
    fresh.innerHTML = event.data;
    const holder = place.cloneNode(false);
    holder.append(fresh.content);
    follow(place, holder);
  });
  source.addEventListener("open", () => (lost.hidden = true));
  source.addEventListener("error", () => {
    lost.hidden = false;
    // A browser that gave up for good starts again from here.
    if (source.readyState === EventSource.CLOSED) setTimeout(() => again(place), 3000);
  });
}

// Whoever is not logged in any more, since a start of the program ends every sitting, is led to the login.
async function again(place) {
  const asked = await fetch("/api/visitor").catch(() => null);
  if (asked?.status === 401) location.reload();
  else live(place);
}

document.querySelectorAll("[data-live]").forEach(live);
