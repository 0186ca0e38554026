"use strict";
// Moves by hand: their effect at once.
(() => {
  const form = document.getElementById("what-if");
  if (!form) return;
  const effect = document.getElementById("effect");
  const undoButton = form.querySelector("[data-undo]");
  const inputs = [...form.querySelectorAll("input[name^='m.']")];
  const planned = Object.fromEntries(inputs.map((e) => [e.name, e.value]));
  const values = () => Object.fromEntries(inputs.map((e) => [e.name, e.value]));
  const steps = [];
  let last = planned;
  let asked = 0;
  const ask = async () => {
    const mine = ++asked;
    effect.classList.add("old");
    if (!effect.firstChild) effect.textContent = "Working it out ...";
    const question = new URLSearchParams(new FormData(form));
    for (const [name, value] of new URLSearchParams(location.search)) if (name.startsWith("lock.")) question.append(name, value);
    let told;
    try {
      const answer = await fetch(form.action + "?" + question, { headers: { Accept: "application/json" } });
      told = await answer.json();
      if (mine !== asked) return;
      if (answer.status === 202) { setTimeout(ask, 500); return; }
    } catch {
      told = { html: "<p class='bad'>No answer: there is no connection.</p>" };
    }
    const wrong = told.wrong && !Array.isArray(told.wrong) ? told.wrong : {};
    for (const span of form.querySelectorAll(".wrong")) span.textContent = wrong[span.dataset.for] || "";
    if (Array.isArray(told.wrong)) { effect.replaceChildren(...told.wrong.map((t) => { const p = document.createElement("p"); p.className = "bad"; p.textContent = t; return p; })); }
    if (told.html !== undefined) effect.innerHTML = told.html;
    effect.classList.remove("old");
  };
  const changed = () => {
    steps.push(last);
    last = values();
    undoButton.hidden = false;
    ask();
  };
  const put = (to) => { for (const e of inputs) e.value = to[e.name] || ""; };
  let timer = 0;
  form.addEventListener("input", () => { clearTimeout(timer); timer = setTimeout(changed, 350); });
  form.addEventListener("submit", (event) => { event.preventDefault(); clearTimeout(timer); changed(); });
  form.querySelector("[data-as-planned]").addEventListener("click", () => { put(planned); changed(); });
  form.querySelector("[data-nothing]").addEventListener("click", () => { put({}); changed(); });
  for (const button of document.querySelectorAll("[data-try]")) button.addEventListener("click", () => {
    put(JSON.parse(button.dataset.try));
    changed();
    form.scrollIntoView();
    inputs[0].focus();
  });
  undoButton.addEventListener("click", () => {
    const before = steps.pop();
    if (!before) return;
    put(before);
    last = before;
    undoButton.hidden = steps.length === 0;
    ask();
  });
  for (const input of inputs) input.addEventListener("keydown", (event) => {
    const step = Number(input.dataset.step);
    if (event.key !== "ArrowUp" && event.key !== "ArrowDown") return;
    event.preventDefault();
    const now = Number(input.value.replace(",", ".") || "0");
    const next = Math.round((now + (event.key === "ArrowUp" ? step : -step)) / step) * step;
    input.value = next === 0 ? "" : String(Number(next.toFixed(6)));
    input.dispatchEvent(new Event("input", { bubbles: true }));
  });
})();
