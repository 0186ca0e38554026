"use strict";
// What all pages share: waiting for work that is on its way, printing.
(() => {
  const waiting = document.querySelector("[data-waiting]");
  const look = async () => {
    let next = 700;
    try {
      const answer = await fetch("/work?name=" + encodeURIComponent(waiting.dataset.waiting), { headers: { Accept: "application/json" } });
      if (answer.status === 404) return location.reload();
      const told = await answer.json();
      const seconds = document.querySelector("[data-seconds]");
      if (seconds) seconds.textContent = Math.round(told.seconds);
      if (told.done) return location.reload();
    } catch {
      next = 3000; // no connection: go on asking
    }
    setTimeout(look, next);
  };
  if (waiting) setTimeout(look, 400);
  for (const button of document.querySelectorAll("[data-print]")) button.addEventListener("click", () => print());
})();
