// What was typed into a form is put back where the session had ended before it was sent: after signing in, on the page
// that it was typed on, for the same person. Without this file it is typed again.
"use strict";
(() => {
  const PLACE = "typed";
  const is_sign_in = (address) => new URL(address || location.origin).pathname.endsWith("/sign-in");
  const person = () => document.querySelector(".who span")?.textContent;
  const is_choice = (field) => field.type === "radio" || field.type === "checkbox";

  const keep = (form) => {
    const fields = [...new FormData(form)].filter(([name]) => form.elements[name].type !== "hidden");
    if (!fields.length) return;
    const kept = { page: location.pathname, person: person(), action: form.action, fields };
    try { sessionStorage.setItem(PLACE, JSON.stringify(kept)); } catch { /* nothing is kept */ }
  };
  const taken = () => {
    try {
      const kept = JSON.parse(sessionStorage.getItem(PLACE));
      sessionStorage.removeItem(PLACE);
      return kept;
    } catch { return null; }
  };
  const put = (form, fields) => {
    for (const [name, value] of fields) {
      const field = [...form.elements].find((one) => one.name === name && (!is_choice(one) || one.value === value));
      if (field && is_choice(field)) field.checked = true;
      else if (field) field.value = value;
    }
    form.closest("details")?.setAttribute("open", "");
    form.dispatchEvent(new Event("change", { bubbles: true }));
    const told = document.createElement("p");
    told.className = "done";
    told.setAttribute("role", "status");
    told.textContent = "You were signed out before this was sent, and nothing was stored. What was typed is put back.";
    form.prepend(told);
    told.scrollIntoView({ block: "center" });
  };

  if (is_sign_in(location.href)) return;
  const kept = taken();
  if (kept && is_sign_in(document.referrer) && kept.page === location.pathname && kept.person === person()) {
    const form = [...document.forms].find((one) => one.action === kept.action);
    if (form) put(form, kept.fields);
  }
  document.addEventListener("submit", (event) => {
    if (event.target.method === "post" && !("draft" in event.target.dataset)) keep(event.target);
  });
})();
