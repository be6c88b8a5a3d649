// What is wrong with a page for people who use it by ear, by keyboard, with
// weak eyes or on a small screen. The sources are W3C, WCAG 2.2: 1.3.1 and
// 2.4.1 (landmarks, one heading), 4.1.2 (names), 1.4.3 (contrast), 1.4.10
// (reflow at 320 CSS pixels), 2.5.8 (size of targets), 1.4.11 (edges of
// controls).
(() => {
  const faults = [];
  const where = (e) => e.nodeName.toLowerCase() + (e.id ? "#" + e.id : "") + (e.className && typeof e.className === "string" ? "." + e.className.split(" ").join(".") : "") + " “" + (e.textContent || e.value || "").trim().slice(0, 40) + "”";
  const seen = (e) => e.checkVisibility({ checkOpacity: true, checkVisibilityCSS: true }) && e.getClientRects().length > 0;
  const hear = (e) => e.closest(".hear, .skip") !== null;

  // Landmarks and headings.
  if (document.querySelectorAll("h1").length !== 1) faults.push("there is not one h1");
  if (document.querySelectorAll("main").length !== 1) faults.push("there is not one main");
  if (!document.documentElement.lang) faults.push("the language is not said");
  let level = 0;
  for (const h of document.querySelectorAll("main h1, main h2, main h3, main h4")) {
    const n = Number(h.nodeName[1]);
    if (n > level + 1) faults.push("a heading level is skipped before " + where(h));
    level = n;
  }
  const ids = new Set();
  for (const e of document.querySelectorAll("[id]")) {
    if (ids.has(e.id)) faults.push("two elements are called " + e.id);
    ids.add(e.id);
  }
  for (const e of document.querySelectorAll("[aria-labelledby], [aria-describedby], label[for]"))
    for (const name of ["aria-labelledby", "aria-describedby", "for"])
      for (const id of (e.getAttribute(name) || "").split(" ").filter(Boolean)) if (!document.getElementById(id)) faults.push(name + " of " + where(e) + " names nothing");

  // Names of controls, regions and bars.
  const text = (e) => (e ? e.textContent.trim() : "");
  const nameOf = (e) => {
    const by = e.getAttribute("aria-labelledby");
    if (by) return by.split(" ").map((id) => text(document.getElementById(id))).join(" ").trim();
    if (e.getAttribute("aria-label")) return e.getAttribute("aria-label").trim();
    if (e.labels && e.labels.length) return Array.from(e.labels).map(text).join(" ").trim();
    if (e.matches("button, a, summary, [role=button]")) return text(e) || (e.querySelector("img[alt]") ? e.querySelector("img").alt : "");
    return "";
  };
  const controls = Array.from(document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0'], progress, nav, [role=region], [role=group], [role=search]"));
  for (const c of controls) if (seen(c) && !nameOf(c)) faults.push("without a name: " + where(c));

  // Contrast, of text and of the edges of controls (1.4.3: 4.5; 1.4.11: 3).
  const rgba = (c) => {
    const m = c.match(/[\d.]+/g).map(Number);
    if (c.startsWith("color(")) return [m[0] * 255, m[1] * 255, m[2] * 255, m.length > 3 ? m[3] : 1];
    return [m[0], m[1], m[2], m.length > 3 ? m[3] : 1];
  };
  const over = (top, under) => [0, 1, 2].map((i) => top[i] * top[3] + under[i] * (1 - top[3])).concat(1);
  const ground = (e) => {
    const layers = [];
    for (let at = e; at; at = at.parentElement) {
      const c = rgba(getComputedStyle(at).backgroundColor);
      layers.push(c);
      if (c[3] === 1) break;
    }
    return layers.reverse().reduce((under, top) => over(top, under), [255, 255, 255, 1]);
  };
  const linear = (v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const luminance = (c) => 0.2126 * linear(c[0]) + 0.7152 * linear(c[1]) + 0.0722 * linear(c[2]);
  const ratio = (a, b) => {
    const [x, y] = [luminance(a), luminance(b)].sort((p, q) => q - p);
    return (x + 0.05) / (y + 0.05);
  };
  let least = 21, texts = 0;
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n = walk.nextNode(); n; n = walk.nextNode()) {
    const e = n.parentElement;
    if (!n.data.trim() || !seen(e) || hear(e) || e.closest("script, noscript, option")) continue;
    if (e.closest("button:disabled")) continue; // 1.4.3 leaves out what cannot be used
    const inSVG = e.closest("svg");
    const ink = rgba(inSVG ? getComputedStyle(e).fill : getComputedStyle(e).color), paper = ground(inSVG ? inSVG.parentElement : e);
    if (inSVG) continue; // text of drawings lies on shapes: package draw looks at it
    const r = ratio(over(ink, paper), paper);
    texts++;
    least = Math.min(least, r);
    if (r < 4.5) faults.push("contrast " + r.toFixed(2) + " of " + where(e));
  }
  for (const c of document.querySelectorAll("input:not([type=hidden]), select, textarea")) {
    if (!seen(c)) continue;
    if (c.matches("input[type=checkbox], input[type=range]")) continue; // the browser draws them
    const edge = rgba(getComputedStyle(c).borderTopColor), paper = ground(c.parentElement);
    if (ratio(over(edge, paper), paper) < 3) faults.push("the edge of " + where(c) + " is hard to see");
    const hint = c.placeholder ? rgba(getComputedStyle(c, "::placeholder").color) : null;
    if (hint && ratio(over(hint, ground(c)), ground(c)) < 4.5) faults.push("the hint of " + where(c) + " is hard to read");
  }

  // Targets of at least 24 by 24 CSS pixels (2.5.8), 44 high where a thumb is
  // to meet them; links within a sentence are left out there.
  const small = innerWidth <= 420;
  for (const c of document.querySelectorAll("button, a.button, select, nav a, .bar a, input:not([type=hidden]):not([type=checkbox]):not([type=range])")) {
    if (!seen(c) || hear(c)) continue;
    const box = c.getBoundingClientRect();
    const need = small && !c.matches(".go") && !c.closest(".plan") ? 44 : 24;
    if (box.height < need - 0.5 || box.width < 24) faults.push("only " + box.width.toFixed(0) + " by " + box.height.toFixed(0) + ": " + where(c));
  }
  // No sideways scroll (1.4.10); what has two dimensions scrolls in itself.
  if (document.documentElement.scrollWidth > innerWidth) {
    const wide = Array.from(document.querySelectorAll("main *")).filter((e) => seen(e) && e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(".scroll, .tube, .hear, .skip"));
    faults.push("it scrolls sideways: " + document.documentElement.scrollWidth + " in " + innerWidth + ": " + wide.slice(0, 3).map(where).join(", "));
  }
  return { faults: Array.from(new Set(faults)), least: Math.round(least * 100) / 100, texts: texts };
})()
