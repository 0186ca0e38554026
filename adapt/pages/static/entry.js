"use strict";
// A form of entries: nothing typed is lost on reload, back or a lost connection; mistakes at their field.
(() => {
  const form = document.getElementById("entry");
  if (!form) return;
  const key = "adapt draft " + form.dataset.draft; // of which logbook, job, kind and run
  const status = form.querySelector("[data-status]");
  const summary = document.querySelector("[data-summary]");
  const undoButton = form.querySelector("[data-undo]");
  const discardButton = form.querySelector("[data-discard]");
  const fields = () => [...form.elements].filter((e) => e.name && e.type !== "hidden" && e.type !== "submit");
  const shown = JSON.parse(form.elements.was.value);
  const typed = () => Object.fromEntries(fields().filter((e) => e.type !== "radio" || e.checked).map((e) => [e.name, e.value]));
  // Two tabs may show one form: each keeps its own draft when it is left, and clears no other's.
  const tab = Math.random().toString(36).slice(2);
  const draftOf = () => {
    try { return JSON.parse(localStorage.getItem(key) || "null"); } catch { return null; }
  };
  const clearOwn = () => {
    const there = draftOf();
    if (there && there.tab === tab) localStorage.removeItem(key);
  };
  let sent = false;
  const steps = []; // what the undo button goes back through
  let last = typed();
  let waiting = null; // what is to be sent when there is a connection again

  const put = (values) => {
    for (const e of fields()) {
      if (e.type === "radio") e.checked = values[e.name] === e.value;
      else if (e.name in values) e.value = values[e.name];
    }
  };
  const asShown = (name, value) => name === "angles" || value === (shown[name] || "") || (name === "started" && value === (shown[name] || "").slice(0, 16));
  const differs = (values) => Object.entries(values).some(([name, value]) => !asShown(name, value));
  const keepDraft = () => {
    const values = typed();
    try {
      if (differs(values)) localStorage.setItem(key, JSON.stringify({ values, was: shown, at: new Date().toISOString(), waiting: waiting !== null, tab }));
      else clearOwn();
    } catch {
      say("This browser keeps no drafts: what is not sent is lost when the page is left.");
    }
    discardButton.hidden = !differs(values);
    undoButton.hidden = steps.length === 0;
  };
  const say = (text) => { status.textContent = text; };

  const mark = (told) => {
    for (const span of form.querySelectorAll(".wrong")) {
      const name = span.dataset.for;
      const wrong = (told.wrong || {})[name];
      const theirs = (told.theirs || {})[name];
      const doubt = (told.doubts || {})[name];
      span.textContent = wrong || (theirs ? "entered meanwhile: " + theirs : "") || (doubt ? "unlikely: " + doubt : "");
      span.classList.toggle("doubt", !wrong && !theirs);
      const input = document.getElementById("f-" + name);
      if (wrong || theirs) input.setAttribute("aria-invalid", "true");
      else input.removeAttribute("aria-invalid");
      if (span.textContent) input.setAttribute("aria-describedby", span.id);
      else input.removeAttribute("aria-describedby");
    }
  };

  let timer = 0;
  let asked = 0;
  const check = async () => {
    if (!form.dataset.check) return;
    const mine = ++asked;
    try {
      const answer = await fetch(form.dataset.check, { method: "POST", body: new FormData(form), headers: { Accept: "application/json" } });
      const told = await answer.json();
      if (mine === asked && (answer.ok || answer.status === 400)) mark(told);
    } catch {
      // No connection: said when the form is sent.
    }
  };
  form.addEventListener("input", () => {
    keepDraft();
  });
  form.addEventListener("change", () => {
    steps.push(last);
    last = typed();
    keepDraft();
    clearTimeout(timer);
    timer = setTimeout(check, 300);
  });
  undoButton.addEventListener("click", () => {
    const before = steps.pop();
    if (!before) return;
    put(before);
    last = before;
    keepDraft();
    check();
  });
  discardButton.addEventListener("click", () => {
    steps.push(last);
    for (const e of fields()) if (e.type !== "radio") e.value = e.type === "datetime-local" ? (shown[e.name] || "").slice(0, 16) : shown[e.name] || "";
    last = typed();
    waiting = null;
    say("");
    keepDraft();
    mark({});
  });

  let sending = false;
  const send = async () => {
    if (sending) return;
    sending = true;
    try { await sendOnce(); } finally { sending = false; }
  };
  const sendOnce = async () => {
    say("Sending ...");
    clearTimeout(timer);
    asked++; // what is still being looked through is not said any more
    let answer;
    try {
      answer = await fetch(location.href, { method: "POST", body: new FormData(form), headers: { Accept: "application/json" } });
    } catch {
      waiting = true;
      keepDraft();
      say("Not sent: there is no connection. It is kept in this browser, and sent when the connection is back.");
      return;
    }
    waiting = null;
    let told = {};
    try { told = await answer.json(); } catch { told = { told: ["The answer could not be read: load the page again."] }; }
    if (answer.ok) {
      sent = true;
      try { clearOwn(); } catch { /* it keeps none */ }
      location.href = told.next || "/job?job=" + encodeURIComponent(form.elements.job.value) + "&kept=" + (told.change || 0);
      return;
    }
    keepDraft();
    mark(told);
    const count = Object.keys({ ...told.wrong, ...told.theirs }).length;
    const lines = [...(told.told || [])];
    if (Array.isArray(told.wrong)) lines.push(...told.wrong);
    if (Object.keys(told.theirs || {}).length) lines.push("Somebody else has entered something else meanwhile. It stands beside the fields; load the page again to go on from it.");
    summary.replaceChildren(...["Nothing was kept: " + (count === 1 ? "1 field is marked below." : count + " fields are marked below."), ...lines].map((text) => {
      const p = document.createElement("p");
      p.className = "bad";
      p.textContent = text;
      return p;
    }));
    say("");
    const first = form.querySelector("[aria-invalid=true]");
    if (first) first.focus();
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    send();
  });
  // Enter goes on to the next field, as in a table: a run is kept by its button, never by half.
  form.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.isComposing || event.target.tagName !== "INPUT") return;
    event.preventDefault();
    const every = [...form.elements].filter((e) => e.type !== "hidden" && !e.hidden && e.tagName !== "FIELDSET");
    const next = every[every.indexOf(event.target) + 1];
    if (next) next.focus();
  });
  addEventListener("pagehide", () => { if (!sent) keepDraft(); });
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  addEventListener("online", () => { if (waiting) send(); });
  setInterval(() => { if (waiting && navigator.onLine) send(); }, 5000);

  const ordered = document.querySelector("[data-as-ordered]");
  if (ordered) ordered.addEventListener("click", () => {
    steps.push(typed());
    for (const row of document.querySelectorAll("[data-ordered]")) document.getElementById("f-" + row.dataset.ordered).value = row.dataset.amount;
    last = typed();
    keepDraft();
    check();
  });

  // What was typed before the page was left comes back.
  const draft = draftOf();
  if (draft && differs(draft.values)) {
    // What nobody typed here shows what stands there now; what was typed stays, beside what came meanwhile.
    const meanwhile = {};
    const values = { ...draft.values };
    const already = typed(); // before this script ran
    for (const [name, value] of Object.entries(draft.values)) {
      if (name in already && !asShown(name, already[name])) {
        values[name] = already[name];
        continue;
      }
      const before = draft.was[name] || "";
      const now = shown[name] || "";
      if (name !== "angles" && value === before) values[name] = now;
      else if (name !== "angles" && now !== before && now !== value) meanwhile[name] = now || "nothing";
    }
    put(values);
    last = typed();
    waiting = draft.waiting && !Object.keys(meanwhile).length ? true : null;
    mark({ theirs: meanwhile });
    say("What was typed here on " + new Date(draft.at).toLocaleString() + " and not sent is back.");
    if (waiting) send();
  }
  keepDraft();
  if (draft && !differs(typed())) localStorage.removeItem(key); // all of it stands there by now
})();
