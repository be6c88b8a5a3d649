"use strict";
(function () {
  const said = document.getElementById("said");
  // What is copied is selected first, for browsers that lend no clipboard to a
  // page from a file.
  async function copy(button) {
    const cell = document.getElementById(button.dataset.of);
    const text = cell.textContent;
    const range = document.createRange();
    range.selectNodeContents(cell);
    const selection = getSelection();
    selection.removeAllRanges();
    selection.addRange(range);
    let copied = false;
    try {
      await navigator.clipboard.writeText(text);
      copied = true;
    } catch (e) {
      copied = document.execCommand("copy");
    }
    said.textContent = copied ? "Copied: " + text : "Selected: press Ctrl-C to copy " + text;
  }
  for (const button of document.querySelectorAll("button.copy")) {
    button.addEventListener("click", function () { copy(button); });
  }
  // A browser may keep nothing for a page from a file; then ticks last as long
  // as the page.
  function kept(key, value) {
    try {
      if (value === undefined) return localStorage.getItem(key) === "1";
      if (value) localStorage.setItem(key, "1"); else localStorage.removeItem(key);
    } catch (e) { /* none is kept */ }
    return false;
  }
  for (const list of document.querySelectorAll(".steps")) {
    for (const box of list.querySelectorAll("input[type=checkbox]")) {
      const key = "guide/" + list.dataset.key + "/" + box.dataset.name;
      const show = function () {
        if (box.parentElement.className === "name") box.closest("li").classList.toggle("done", box.checked);
      };
      box.checked = kept(key);
      show();
      box.addEventListener("change", function () { kept(key, box.checked); show(); });
    }
  }
})();
