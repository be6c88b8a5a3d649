"use strict";
(function () {
  const film = JSON.parse(document.getElementById("film").textContent);
  const el = (id) => document.getElementById(id);
  const screen = el("screen"), time = el("time"), play = el("play"), now = el("now");
  const rows = new Array(film.rows).fill(0);
  const buttons = Array.from(document.querySelectorAll(".go"));
  let frame = 0, at = 0, playing = false, wall = 0, current = -1;

  const clock = (ms) => {
    const s = Math.floor(ms / 1000);
    return Math.floor(s / 60) + ":" + String(s % 60).padStart(2, "0") + "." + Math.floor(ms % 1000 / 100);
  };

  // show brings the screen to a time. Text only: nothing here is ever markup.
  function show(ms) {
    if (ms < at) { rows.fill(0); frame = 0; }
    at = Math.max(0, Math.min(ms, film.length));
    for (; frame < film.frames.length && film.frames[frame][0] <= at; frame++) {
      const f = film.frames[frame];
      for (let i = 1; i < f.length; i += 2) rows[f[i]] = f[i + 1];
    }
    screen.textContent = rows.map((n) => film.texts[n]).join("\n");
    time.value = String(at);
    time.setAttribute("aria-valuetext", clock(at) + " of " + clock(film.length));
    el("clock").textContent = clock(at);
    mark();
  }

  // mark tells which event came last.
  function mark() {
    let last = -1;
    while (last + 1 < film.events.length && film.events[last + 1].at <= at) last++;
    if (last === current) return;
    if (current >= 0) buttons[current].closest("tr").removeAttribute("aria-current");
    current = last;
    if (last < 0) { now.textContent = ""; return; }
    const row = buttons[last].closest("tr");
    row.setAttribute("aria-current", "true");
    now.textContent = film.events[last].kind + ": " + film.events[last].text;
    const box = row.closest(".scroll");
    const top = row.offsetTop - box.clientHeight / 2;
    box.scrollTop = Math.max(0, top);
  }

  // nextChange is when something next happens.
  function nextChange() {
    const f = frame < film.frames.length ? film.frames[frame][0] : film.length;
    const e = current + 1 < film.events.length ? film.events[current + 1].at : film.length;
    return Math.min(f, e);
  }

  function tick(stamp) {
    if (!playing) return;
    const speed = Number(el("speed").value), most = Number(el("pause").value);
    let to = at + (stamp - wall) * speed;
    wall = stamp;
    const next = nextChange();
    if (most > 0 && next - at > most) to = Math.max(to, next - most);
    show(to);
    if (at >= film.length) { stop(); return; }
    requestAnimationFrame(tick);
  }

  function stop() {
    playing = false;
    play.textContent = "Play";
    play.setAttribute("aria-pressed", "false");
  }

  function toggle() {
    if (playing) { stop(); return; }
    if (at >= film.length) show(0);
    playing = true;
    play.textContent = "Stop";
    play.setAttribute("aria-pressed", "true");
    wall = performance.now();
    requestAnimationFrame(tick);
  }

  // step goes to the event before or after. Times are not unique: it skips
  // those of the present one.
  function step(way) {
    stop();
    let i = current + way;
    while (i >= 0 && i < film.events.length && film.events[i].at === at) i += way;
    if (i < 0) show(0);
    else if (i >= film.events.length) show(film.length);
    else show(film.events[i].at);
  }

  play.addEventListener("click", toggle);
  el("back").addEventListener("click", () => step(-1));
  el("on").addEventListener("click", () => step(1));
  time.addEventListener("input", () => { stop(); show(Number(time.value)); });
  if (el("stage")) el("stage").addEventListener("change", (e) => {
    if (e.target.value !== "") { stop(); show(Number(e.target.value)); }
    e.target.value = "";
  });
  buttons.forEach((b, i) => {
    b.disabled = false;
    b.setAttribute("aria-label", "Go to " + b.textContent);
    b.addEventListener("click", () => { stop(); show(film.events[i].at); });
  });
  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.altKey || e.metaKey || e.target.closest("button, select, input, summary, .scroll, .text")) return;
    if (e.key === " ") toggle();
    else if (e.key === "ArrowRight") step(1);
    else if (e.key === "ArrowLeft") step(-1);
    else if (e.key === "Home") { stop(); show(0); }
    else if (e.key === "End") { stop(); show(film.length); }
    else return;
    e.preventDefault();
  });
  // A link may name a time: #t=12.5 is 12.5 seconds after the start.
  function named() {
    const m = /^#t=(\d+(?:\.\d+)?)$/.exec(location.hash);
    stop();
    show(m ? Number(m[1]) * 1000 : 0);
  }
  window.addEventListener("hashchange", named);
  el("player").hidden = false;
  named();
})();
