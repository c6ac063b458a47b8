// Keeps the present fresh. Everything else works without a script.
"use strict";

// Whether two nodes are the same thing at two times: what stands beside it may come and go.
function alike(a, b) {
  const name = (node) => node.nodeName + " " + (node.id || node.classList?.item(0) || "");
  return name(a) === name(b);
}

// Brings `old` to what `fresh` says, in place, so that focus and what is open stay as they are.
function follow(old, fresh) {
  if (old.nodeType === Node.TEXT_NODE) {
    if (old.data !== fresh.data) old.data = fresh.data;
    return;
  }
  if (old.nodeType !== Node.ELEMENT_NODE || old.hasAttribute("data-keep")) return;
  for (const { name } of [...old.attributes]) if (!fresh.hasAttribute(name)) old.removeAttribute(name);
  for (const { name, value } of [...fresh.attributes])
    if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  let next = old.firstChild;
  for (const child of fresh.childNodes) {
    let same = next;
    while (same && !alike(same, child)) same = same.nextSibling;
    if (!same) {
      old.insertBefore(child.cloneNode(true), next);
      continue;
    }
    while (next !== same) next = gone(next);
    next = same.nextSibling;
    follow(same, child);
  }
  while (next) next = gone(next);
}

// Takes a node away and gives the one after it.
function gone(node) {
  const after = node.nextSibling;
  node.remove();
  return after;
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
