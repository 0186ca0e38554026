"use strict";
// What all pages share: waiting for work that is on its way, printing, what was typed and not sent.
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
      const far = document.querySelector("[data-far]");
      if (far) far.textContent = told.far ? ", " + told.far : "";
      if (told.done) {
        if (!document.getElementById("entry")) return location.reload();
        // Somebody may be typing: the page is loaded again when they say so; what was typed stays.
        const show = document.createElement("a");
        show.href = location.href;
        show.textContent = "It is there: show it";
        return waiting.replaceChildren(show);
      }
    } catch {
      next = 3000; // no connection: go on asking
    }
    setTimeout(look, next);
  };
  if (waiting) setTimeout(look, 400);
  // Forms that were left with something typed are named on every page, with the way back to them.
  const main = document.querySelector("main[data-book]");
  const form = document.getElementById("entry");
  const left = [];
  const forms = {
    run: { at: "/job/enter", words: "run " },
    moves: { at: "/job/moves", words: "moves after run " },
    fitted: { at: "/job/fitted", words: "what is fitted at the start" },
    event: { at: "/job/event", words: "an event after run " },
    new: { at: "/jobs/new", words: "a new job" },
  };
  try {
    for (const key of Object.keys(localStorage)) {
      if (!key.startsWith("adapt draft ") || (form && key === "adapt draft " + form.dataset.draft)) continue;
      const [book, job, kind, run] = JSON.parse(key.slice("adapt draft ".length));
      if (book === main.dataset.book && kind in forms) left.push({ job, kind, run });
    }
  } catch { /* the browser keeps no drafts */ }
  if (left.length) {
    const told = document.createElement("p");
    told.className = "unsent";
    told.append("Typed in this browser and not sent: ");
    left.forEach(({ job, kind, run }, k) => {
      const way = document.createElement("a");
      way.href = forms[kind].at + "?" + new URLSearchParams({ job, run });
      way.textContent = forms[kind].words + run + (job ? " of " + job : "");
      told.append(k ? ", " : "", way);
    });
    main.prepend(told);
  }
  // Short forms of one state: what was typed is there again as long as that state is.
  for (const short of document.querySelectorAll("form[data-keep]")) {
    const key = "adapt short " + short.dataset.keep;
    const texts = [...short.elements].filter((e) => e.type === "text" && e.name);
    const keep = () => {
      try { sessionStorage.setItem(key, JSON.stringify(texts.map((e) => e.value))); } catch { /* the browser keeps none */ }
    };
    try {
      (JSON.parse(sessionStorage.getItem(key)) || []).forEach((value, k) => { if (texts[k] && !texts[k].value) texts[k].value = value; });
    } catch { /* the browser keeps none */ }
    short.addEventListener("input", keep);
  }
  for (const button of document.querySelectorAll("[data-print]")) button.addEventListener("click", () => print());
})();
