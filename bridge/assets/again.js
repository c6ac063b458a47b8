// Keeps a part of a page fresh: what bears `data-again` and an id is fetched anew when the present changes, or each so
// many seconds as it says.
"use strict";

async function fetchAgain(places) {
  if (document.hidden) return;
  try {
    const answer = await fetch(location.pathname, { headers: { accept: "text/html" } });
    if (!answer.ok || answer.redirected) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    places.forEach((place) => {
      const other = fresh.getElementById(place.id);
      if (other) follow(place, other);
    });
  } catch {
    // The next time tries again.
  }
}

function withThePresent(places) {
  let waiting = false;
  const source = new EventSource("/live");
  source.addEventListener("present", async () => {
    if (waiting || document.hidden) return;
    waiting = true;
    await fetchAgain(places);
    setTimeout(() => (waiting = false), 3000);
  });
}

const places = [...document.querySelectorAll("[data-again]")];
const seldom = places.filter((place) => place.dataset.again);
seldom.forEach((place) => setInterval(() => fetchAgain([place]), place.dataset.again * 1000));
const often = places.filter((place) => !place.dataset.again);
if (often.length) withThePresent(often);
