// The button that opens the browser's own print window; without this script it is not shown.
(() => {
  "use strict";
  const button = document.getElementById("print");
  if (!button) return;
  button.hidden = false;
  button.addEventListener("click", () => print());
})();
