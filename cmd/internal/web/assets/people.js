"use strict";
// A token's secret is shown this once.
linehand.then.token = function (made, form) {
  const { el, refresh } = linehand;
  el("token-secret").textContent = made.secret;
  el("token-made").hidden = false;
  el("token-made").focus();
  form.reset();
  refresh();
};
