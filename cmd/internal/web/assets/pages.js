"use strict";
// What all pages do: they stay up to date, send what a person does to the API,
// and know a few keys. Text is only ever set as text.
const linehand = (function () {
  const body = document.body;
  const el = (id) => document.getElementById(id);
  const all = (selector, root) => Array.from((root || document).querySelectorAll(selector));

  // --- Telling people ---

  const said = el("said");
  let saidFor = 0;
  function say(text, wrong) {
    said.textContent = text;
    said.classList.toggle("wrong", Boolean(wrong));
    said.classList.add("shown");
    clearTimeout(saidFor);
    if (!wrong) saidFor = setTimeout(() => said.classList.remove("shown"), 8000);
  }
  said.addEventListener("click", () => said.classList.remove("shown"));

  // problem makes a sentence of an answer of the API (RFC 9457).
  async function problem(answer) {
    let told = {};
    try { told = await answer.json(); } catch (_) { /* not from the API */ }
    const what = told.detail || told.title || "the bench did not say why";
    const sentence = what.charAt(0).toUpperCase() + what.slice(1) + (/[.!?]$/.test(what) ? "" : ".");
    const more = { 401: " Sign in again, and do it once more.", 403: "", 404: " This page may be old; look again.", 409: " Look at how it stands now.",
      429: " Wait a second, and try again.", 500: " Try again; if it stays so, look into the bench's log.", 503: " Try again in a moment." };
    return sentence + (more[answer.status] || "");
  }

  // send asks the API for something.
  async function send(method, path, data) {
    const how = { method: method, headers: { Accept: "application/json, application/problem+json" } };
    if (data !== undefined) {
      how.headers["Content-Type"] = "application/json";
      how.body = JSON.stringify(data);
    }
    let answer;
    try {
      answer = await fetch(path, how);
    } catch (_) {
      throw new Error("The bench cannot be reached. Nothing was changed. Look at the network, and try again.");
    }
    if (!answer.ok) throw new Error(await problem(answer));
    return answer.status === 204 ? null : answer.json();
  }

  // --- Staying up to date ---

  const skips = new Set(["open", "data-told"]);

  // become makes a node what it is in the newer page, and touches nothing that
  // is the same: focus and what is being typed stay.
  function become(old, now) {
    if (old.nodeType !== now.nodeType || old.nodeName !== now.nodeName) { old.replaceWith(document.importNode(now, true)); return; }
    if (old.nodeType === Node.TEXT_NODE) { if (old.data !== now.data) old.data = now.data; return; }
    if (old.nodeType !== Node.ELEMENT_NODE || old.hasAttribute("data-keep")) return;
    for (const a of Array.from(old.attributes)) if (!now.hasAttribute(a.name) && !skips.has(a.name)) old.removeAttribute(a.name);
    for (const a of Array.from(now.attributes)) if (old.getAttribute(a.name) !== a.value && !skips.has(a.name)) old.setAttribute(a.name, a.value);
    children(old, now);
  }

  function children(old, now) {
    const named = new Map();
    for (const c of old.children) if (c.id) named.set(c.id, c);
    let at = old.firstChild;
    for (const want of Array.from(now.childNodes)) {
      const known = want.id ? named.get(want.id) : undefined;
      if (known && known !== at) { old.insertBefore(known, at); become(known, want); continue; }
      if (known) { at = at.nextSibling; become(known, want); continue; }
      if (at && !want.id && !at.id && at.nodeName === want.nodeName) {
        const next = at.nextSibling;
        become(at, want);
        at = next;
        continue;
      }
      old.insertBefore(document.importNode(want, true), at);
    }
    while (at) {
      const next = at.nextSibling;
      at.remove();
      at = next;
    }
  }

  const live = el("live");
  const every = 1000; // ms between two looks at the least
  let asking = false, wanted = false, last = performance.now();

  async function refresh() {
    if (asking) { wanted = true; return; }
    asking = true;
    wanted = false;
    const wait = last + every - performance.now();
    if (wait > 0) await new Promise((done) => setTimeout(done, wait));
    last = performance.now();
    try {
      const answer = await fetch(location.pathname + location.search, { headers: { Accept: "text/html" } });
      if (answer.redirected && new URL(answer.url).pathname === "/sign-in") { location.assign(answer.url); return; }
      if (answer.ok) take(new DOMParser().parseFromString(await answer.text(), "text/html"));
    } catch (_) {
      state(false);
    }
    asking = false;
    if (wanted) refresh();
  }

  function take(page) {
    const focused = document.activeElement;
    document.title = page.title;
    for (const now of all("[data-part]", page)) {
      const old = el(now.id);
      if (old) become(old, now);
    }
    if (focused && focused !== body && !focused.isConnected) el("main").focus({ preventScroll: true });
    asOf = new Date();
    if (up) state(true);
    document.dispatchEvent(new CustomEvent("linehand-fresh", { detail: page }));
    news();
  }

  let up = false, asOf = new Date(), shownState = "";
  function state(isUp) {
    up = isUp;
    if (!live) return;
    // A live region must not chatter: it says only that the state is another.
    const word = isUp ? "Live" : "Not connected. Shown as of " + asOf.toLocaleTimeString([], { hour12: false }) + "; trying again.";
    if (isUp ? shownState === "up" : shownState === "down") return;
    shownState = isUp ? "up" : "down";
    live.classList.toggle("down", !isUp);
    live.firstElementChild.textContent = word;
  }

  // news tells of lines that need a person and did not before, all at once and
  // not more often than every five seconds.
  let needing = null, newsAt = 0, newsLater = 0;
  function news() {
    const now = new Map(all("[data-needs]").map((c) => [c.dataset.line, c.dataset.needs]));
    if (needing === null) { needing = now; return; }
    const fresh = Array.from(now).filter(([line, text]) => needing.get(line) !== text).map(([, text]) => text);
    if (fresh.length === 0) { needing = now; return; }
    clearTimeout(newsLater);
    const wait = newsAt + 5000 - performance.now();
    if (wait > 0) { newsLater = setTimeout(news, wait); return; }
    needing = now;
    newsAt = performance.now();
    say(fresh.slice(0, 3).join("; ") + (fresh.length > 3 ? "; and " + (fresh.length - 3) + " more" : "") + ".");
  }

  function watch() {
    const wants = new Set(body.dataset.live.split(" "));
    const only = body.dataset.only;
    const source = new EventSource("/api/changes");
    source.addEventListener("open", () => { state(true); });
    source.addEventListener("lines", refresh);
    source.addEventListener("change", (e) => {
      const c = JSON.parse(e.data);
      if (!wants.has(c.what) || only && c.line && c.line.id !== only) return;
      if (!document.hidden) refresh(); else stale = true;
    });
    source.addEventListener("error", () => {
      state(false);
      if (source.readyState === EventSource.CLOSED) { // refused: signed out, or too many pages
        setTimeout(() => { refresh(); watch(); }, 5000);
      }
    });
    addEventListener("pagehide", () => source.close(), { once: true });
  }
  let stale = false;
  document.addEventListener("visibilitychange", () => { if (!document.hidden && stale) { stale = false; refresh(); } });
  // Times that are left go on by themselves.
  if (body.dataset.live) {
    watch();
    setInterval(() => { if (!document.hidden && document.querySelector("[data-part] progress")) refresh(); }, 5000);
    addEventListener("pageshow", (e) => { if (e.persisted) location.reload(); });
  }
  news();

  // --- Doing something ---

  function ask(question) {
    const box = el("ask");
    el("ask-text").textContent = question;
    box.returnValue = "no";
    box.showModal();
    el("ask-no").focus();
    return new Promise((done) => box.addEventListener("close", () => done(box.returnValue === "yes"), { once: true }));
  }

  const typed = { yes: (v) => v === "true", number: Number };

  // fields are what a form holds, as the API wants it.
  function fields(form) {
    const data = {};
    const list = form.dataset.lists;
    for (const f of Array.from(form.elements)) {
      if (!f.name || f.disabled || f.type === "checkbox" && !f.checked) continue;
      if (f.name === list) { (data[list] = data[list] || []).push(f.value); continue; }
      if (f.name.endsWith("[]")) { (data[f.name.slice(0, -2)] = data[f.name.slice(0, -2)] || []).push(f.value); continue; }
      if (f.value === "" && "optional" in f.dataset) continue;
      data[f.name] = f.dataset.type ? typed[f.dataset.type](f.value) : f.value;
    }
    return data;
  }

  const then = {}; // what pages do with an answer, by the form's data-then
  then.again = () => refresh();

  async function submit(form) {
    const data = fields(form);
    if (form.dataset.lists && !data[form.dataset.lists]) { say(form.dataset.none, true); return; }
    if (form.dataset.ask && !await ask(form.dataset.ask)) return;
    const [method, path] = form.dataset.api.split(" ");
    const buttons = all("button", form);
    buttons.forEach((b) => b.setAttribute("aria-disabled", "true"));
    form.setAttribute("aria-busy", "true");
    if (form.dataset.busy) { say(form.dataset.busy); if (el("busy")) el("busy").hidden = false; }
    try {
      const answer = await send(method, path, Object.keys(data).length ? data : undefined);
      for (const secret of all("input[type=password]", form)) secret.value = "";
      for (const box of Array.from(form.elements)) if (form.id === "allow-chosen" && box.type === "checkbox") box.checked = false;
      chosen();
      say(form.dataset.done || "Done.");
      if (form.dataset.then) then[form.dataset.then](answer, form);
    } catch (fault) {
      say(fault.message + (form.dataset.mend ? " " + form.dataset.mend : ""), true);
    }
    if (el("busy")) el("busy").hidden = true;
    form.removeAttribute("aria-busy");
    buttons.forEach((b) => b.removeAttribute("aria-disabled"));
    last = -every; // whoever has done something sees at once what came of it
    if (body.dataset.live) refresh();
  }

  document.addEventListener("submit", (e) => {
    const form = e.target;
    if (!form.dataset.api) return;
    e.preventDefault();
    if (form.getAttribute("aria-busy") !== "true") submit(form);
  });

  // chosen says how many units are chosen.
  function chosen() {
    const n = el("allow-chosen") ? Array.from(el("allow-chosen").elements).filter((f) => f.checked).length : 0;
    for (const place of all("[data-chosen]")) place.textContent = n ? " (" + n + ")" : "";
  }
  document.addEventListener("change", (e) => { if (e.target.name === "units") chosen(); });

  // The filter of the Bench page works as one types; its form does without.
  const filter = el("filter");
  if (filter) {
    let later = 0;
    const apply = () => {
      const q = new URLSearchParams(Array.from(new FormData(filter)).filter(([, v]) => v !== ""));
      history.replaceState(null, "", "/" + (q.size ? "?" + q : ""));
      last = 0;
      refresh();
    };
    filter.addEventListener("input", () => { clearTimeout(later); later = setTimeout(apply, 250); });
    filter.addEventListener("submit", (e) => { e.preventDefault(); clearTimeout(later); apply(); });
  }

  // --- Colours ---

  const scheme = el("scheme");
  scheme.closest(".scheme").hidden = false;
  scheme.value = document.documentElement.dataset.scheme || "";
  scheme.addEventListener("change", () => {
    if (scheme.value) document.documentElement.dataset.scheme = scheme.value; else delete document.documentElement.dataset.scheme;
    try { localStorage.setItem("linehand-scheme", scheme.value); } catch (_) { /* for this page only, then */ }
  });

  // --- Keys ---

  const help = el("keys-help"), on = el("keys-on");
  const keysOn = () => { try { return localStorage.getItem("linehand-keys") !== "off"; } catch (_) { return true; } };
  function goTo(id) {
    const place = el(id);
    if (!place) return;
    place.focus();
    place.scrollIntoView({ block: "nearest" });
  }
  const keys = {
    "?": () => { on.checked = keysOn(); help.showModal(); },
    "/": () => { const f = document.querySelector("[data-find]"); if (f) f.focus(); },
    b: () => location.assign("/"),
    h: () => goTo("hold"),
    s: () => goTo("screen"),
    k: () => goTo(el("typing") && !el("typing").hidden ? "typed" : "keyboard"),
    n: async () => {
      try {
        const lines = (await send("GET", "/api/lines")).filter((l) => l.person && l.id !== body.dataset.only);
        if (lines.length === 0) { say("No other line needs a person now."); return; }
        const rank = ["on hold", "unmatched", "matched", "finished"];
        lines.sort((a, b) => rank.indexOf(a.state) - rank.indexOf(b.state));
        location.assign("/lines/" + encodeURIComponent(lines[0].id));
      } catch (fault) { say(fault.message, true); }
    },
  };
  if (el("keys-open")) {
    el("keys-open").hidden = false;
    el("keys-open").addEventListener("click", () => keys["?"]());
    on.addEventListener("change", () => { try { localStorage.setItem("linehand-keys", on.checked ? "on" : "off"); } catch (_) { /* as it was */ } });
    document.addEventListener("keydown", (e) => {
      if (e.defaultPrevented || e.ctrlKey || e.altKey || e.metaKey || e.isComposing || !keysOn()) return;
      if (e.target.closest("input:not([type=checkbox]):not([type=range]), textarea, select, dialog[open]")) return;
      if (!Object.hasOwn(keys, e.key)) return;
      e.preventDefault();
      keys[e.key]();
    });
  }

  return { send: send, say: say, then: then, refresh: refresh, el: el, all: all };
})();
