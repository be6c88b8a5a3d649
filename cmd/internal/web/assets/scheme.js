"use strict";
// Before anything is drawn: the colours that a person has chosen.
(function () {
  try {
    const chosen = localStorage.getItem("linehand-scheme");
    if (chosen === "light" || chosen === "dark") document.documentElement.dataset.scheme = chosen;
  } catch (_) { /* a browser that keeps nothing follows the system */ }
})();
