// Shows of the sign-off form what the chosen determination needs. Without this file all of it is shown.
"use strict";
(() => {
  const form = document.getElementById("sign-off");
  if (!form) return;
  const parts = form.querySelectorAll("[data-for]");
  const show = () => {
    const chosen = form.querySelector('input[name="determination"]:checked');
    parts.forEach((part) => {
      part.hidden = !chosen || !part.dataset.for.split(" ").includes(chosen.value);
      part.querySelectorAll("input, select, textarea").forEach((one) => { one.disabled = part.hidden; });
    });
  };
  form.addEventListener("change", show);
  addEventListener("pageshow", show);
  show();
})();
