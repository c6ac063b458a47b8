// Keeps a part of a page fresh: what bears `data-again` and an id is fetched anew when the present changes.
"use strict";

function again(places) {
  let waiting = false;
  const source = new EventSource("/live");
  source.addEventListener("present", async () => {
    if (waiting || document.hidden) return;
    waiting = true;
    try {
      const answer = await fetch(location.pathname, { headers: { accept: "text/html" } });
      if (!answer.ok || answer.redirected) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      places.forEach((place) => {
        const other = fresh.getElementById(place.id);
        if (other) follow(place, other);
      });
    } catch {
      // The next change tries again.
    } finally {
      setTimeout(() => (waiting = false), 3000);
    }
  });
}

again([...document.querySelectorAll("[data-again]")]);
