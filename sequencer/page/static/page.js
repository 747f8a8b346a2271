"use strict";
// Puts the parts that the server has drawn into their places, and hands forms in without leaving the page. All that a
// button does works without this script.
(() => {
  const SILENT_MS = 7000, AGAIN_MS = 3000, CALM_MS = 5000;
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const drawn = new Set(["shot", "ramp", "night"]);
  const link = document.getElementById("link"), outcome = document.getElementById("outcome");
  const held = new Map(), placed = new Map();
  let source = null, heard = Date.now(), ended = "";

  const clock = () => new Date().toLocaleTimeString([], { hour12: false });

  function place(name, html) {
    const where = document.getElementById(name);
    if (where === null) return;
    const wait = calm.matches && drawn.has(name) ? (placed.get(name) ?? 0) + CALM_MS - Date.now() : 0;
    held.set(name, html);
    if (wait > 0) { setTimeout(() => held.get(name) === html && place(name, html), wait); return; }
    placed.set(name, Date.now());
    const kept = where.contains(document.activeElement) ? focused(where) : null;
    where.innerHTML = html;
    if (kept !== null) where.querySelectorAll("button, input, a")[kept]?.focus();
  }

  function focused(where) {
    return [...where.querySelectorAll("button, input, a")].indexOf(document.activeElement);
  }

  function live() {
    heard = Date.now();
    document.body.classList.remove("old");
    link.textContent = ended || `Live, ${clock()}.`;
  }

  function lost() {
    document.body.classList.add("old");
    const words = ended || `No word since ${new Date(heard).toLocaleTimeString([], { hour12: false })}: what stands here is old.`;
    link.textContent = `${words} Trying again.`;
  }

  function connect() {
    source?.close();
    source = new EventSource("/events");
    source.addEventListener("hello", event => {
      ended = "";
      document.body.dataset.may = JSON.parse(event.data).may ? "yes" : "no";
    });
    source.addEventListener("parts", event => {
      live();
      for (const [name, html] of Object.entries(JSON.parse(event.data))) place(name, html);
    });
    source.addEventListener("beat", live);
    source.addEventListener("bye", () => { ended = `The process ended at ${clock()}: this was its last word.`; lost(); });
    source.onerror = () => {
      lost();
      if (source.readyState === EventSource.CLOSED) setTimeout(connect, AGAIN_MS);
    };
  }

  async function hand(form, button) {
    const body = new URLSearchParams(new FormData(form));
    if (button?.name) body.set(button.name, button.value);
    const where = button?.formAction && button.hasAttribute("formaction") ? button.formAction : form.action;
    try {
      const answer = await fetch(where, { method: "POST", body, headers: { Accept: "application/json" }, keepalive: true });
      const said = await answer.json();
      if (said.may !== undefined) document.body.dataset.may = said.may ? "yes" : "no";
      outcome.textContent = said.sentence;
    } catch {
      outcome.textContent = "That did not arrive. STOP by hand if anything must go off: the emergency stop works without this page.";
    }
  }

  document.addEventListener("submit", event => {
    const form = event.target;
    if (!(form instanceof HTMLFormElement) || !form.hasAttribute("data-live")) return;
    event.preventDefault();
    hand(form, event.submitter);
  });
  setInterval(() => { if (Date.now() - heard > SILENT_MS) lost(); }, 1000);
  connect();
})();
