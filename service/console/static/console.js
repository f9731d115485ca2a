// Sends a form once: a second tap while the first is on its way does nothing.
"use strict";
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
  form.setAttribute("aria-busy", "true");
});
// A page that comes back from the browser's memory can be sent again.
window.addEventListener("pageshow", () => {
  document.querySelectorAll("form[data-sent]").forEach((form) => {
    delete form.dataset.sent;
    form.removeAttribute("aria-busy");
  });
});
const refused = document.getElementById("refused");
if (refused) refused.focus();
// A battery that was sent needs its draft no more; the page that answers it is told so in its address, and tells the
// other tabs in which the same is entered.
if (location.hash.startsWith("#sent=")) {
  const place = location.hash.slice("#sent=".length);
  try { localStorage.removeItem(place); } catch { /* nothing was kept */ }
  globalThis.BroadcastChannel && new BroadcastChannel(place).postMessage(location.pathname);
  history.replaceState(null, "", location.pathname + location.search);
}
