"use strict";
// A line's screen as it comes, and the keyboard of who has taken it over.
(function () {
  const { send, say, then, el } = linehand;
  const tube = el("screen"), note = el("screen-note");

  // draw shows a screen, with a mark where the cursor is. The last row stays in
  // sight for whoever has not scrolled away from it.
  function draw(shown) {
    const rows = shown.screen || [];
    const atEnd = tube.scrollHeight - tube.scrollTop - tube.clientHeight < 24;
    const text = rows.slice();
    while (text.length <= shown.row) text.push("");
    const row = Array.from(text[shown.row].padEnd(shown.column + 1, " "));
    const cursor = document.createElement("span");
    cursor.className = "cursor";
    cursor.textContent = row[shown.column];
    tube.replaceChildren(
      text.slice(0, shown.row).map((r) => r + "\n").join("") + row.slice(0, shown.column).join(""),
      cursor,
      row.slice(shown.column + 1).join("") + text.slice(shown.row + 1).map((r) => "\n" + r).join(""));
    if (atEnd) tube.scrollTop = tube.scrollHeight;
    const x = cursor.offsetLeft;
    if (x > tube.scrollLeft + tube.clientWidth - 24) tube.scrollLeft = x - tube.clientWidth / 2;
    else if (x < tube.scrollLeft) tube.scrollLeft = 0;
  }

  let due = null, waiting = false;
  function soon(shown) { // one drawing a frame at the most
    due = shown;
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; draw(due); });
  }

  function watch() {
    const source = new EventSource(tube.dataset.screen);
    source.addEventListener("open", () => { note.textContent = "As the unit draws it."; });
    source.addEventListener("screen", (e) => soon(JSON.parse(e.data)));
    source.addEventListener("error", () => {
      note.textContent = "Not connected: this is the last screen that came.";
      if (source.readyState === EventSource.CLOSED) setTimeout(watch, 5000);
    });
    addEventListener("pagehide", () => source.close(), { once: true });
  }
  watch();

  const typing = el("typing");
  if (!typing) return;
  const field = el("typed");

  // Whether whoever looks has the keyboard: as the page says.
  let mine = typing.dataset.state === "taken over" && typing.dataset.by === typing.dataset.person;
  function show(now, focus) {
    mine = now;
    const had = typing.contains(document.activeElement);
    typing.hidden = !mine;
    if (mine && focus) field.focus();
    if (!mine && had) el("keyboard").focus({ preventScroll: true });
  }
  show(mine, false);
  document.addEventListener("linehand-fresh", (e) => {
    const now = e.detail.getElementById("typing");
    if (now) show(now.dataset.state === "taken over" && now.dataset.by === now.dataset.person, false);
  });
  then.type = () => show(true, true);

  // Keys go one request after the other, so that they come in order; those
  // that are pressed meanwhile go together.
  let queue = "", sending = false;
  async function press(keys) {
    queue += keys;
    if (sending) return;
    sending = true;
    while (queue) {
      const now = Array.from(queue).slice(0, 1000).join("");
      queue = queue.slice(now.length);
      try {
        await send("POST", field.dataset.post, { keys: now });
      } catch (fault) {
        queue = "";
        say("Not typed: " + fault.message, true);
      }
    }
    sending = false;
  }

  // What the keys send: control codes of ECMA-48, and its sequences.
  const special = { Enter: "\r", Backspace: "\x7f", Escape: "\x1b", Delete: "\x1b[3~", ArrowUp: "\x1b[A", ArrowDown: "\x1b[B", ArrowRight: "\x1b[C", ArrowLeft: "\x1b[D", Home: "\x1b[H", End: "\x1b[F" };
  const soft = { Tab: "\t", Space: " ", Interrupt: "\x03" };
  let handled = false; // the key that is down was sent already
  field.addEventListener("keyup", () => { handled = false; });
  field.addEventListener("keydown", (e) => {
    handled = false;
    if (e.isComposing || e.altKey || e.metaKey) return;
    let keys = "";
    if (e.ctrlKey && !e.shiftKey && /^[a-z@[\\\]^_]$/.test(e.key) && e.key !== "v") keys = String.fromCharCode(e.key.toUpperCase().charCodeAt(0) & 31);
    else if (!e.ctrlKey && Object.hasOwn(special, e.key)) keys = special[e.key];
    if (!keys) return;
    e.preventDefault();
    handled = true;
    press(keys);
  });
  // What a keyboard on glass writes comes as input, whatever its keys say.
  field.addEventListener("beforeinput", (e) => {
    if (e.inputType === "insertCompositionText") return;
    if (handled) { /* some keyboards tell of a key twice */ }
    else if (e.inputType === "deleteContentBackward") press("\x7f");
    else if (e.inputType === "insertLineBreak" || e.inputType === "insertParagraph") press("\r");
    else {
      const text = e.data !== null ? e.data : e.dataTransfer ? e.dataTransfer.getData("text/plain") : "";
      if (text) press(text.replace(/\r\n|\n/g, "\r"));
    }
    e.preventDefault();
  });
  field.addEventListener("compositionend", (e) => { if (e.data) press(e.data); field.value = ""; });
  for (const b of linehand.all("[data-send]", typing)) b.addEventListener("click", () => press(soft[b.dataset.send] || special[b.dataset.send]));
})();
