"use strict";
// What a pack that was made holds, and where to get it.
linehand.then.pack = function (pack) {
  const { el, say } = linehand;
  const units = pack.units || 0, files = pack.files || 0, open = (pack.punch_list || []).filter((p) => !p.closed);
  el("made-what").textContent = pack.name + ": " + units + (units === 1 ? " unit, " : " units, ") + files + " files, " + Math.ceil(pack.size / 1000) + " kB. Manifest " + (pack.manifest_sha256 || "").slice(0, 16) + "…";
  el("made-zip").href = "/api/handover/" + encodeURIComponent(pack.name);
  el("made-none").hidden = open.length > 0;
  el("made-punch").replaceChildren(...open.map((p) => {
    const row = document.createElement("li");
    row.textContent = (p.unit ? p.unit + ": " : "") + p.what + (p.by ? " (" + p.by + (p.due ? ", by " + p.due : "") + ")" : "");
    return row;
  }));
  el("made").hidden = false;
  el("made").focus();
  say("The pack is made. " + (open.length === 1 ? "1 point is open." : open.length + " points are open."));
};
