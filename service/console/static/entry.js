// While a battery is entered: keeps what is typed in this browser, shows what the values come to, and sends only when
// the service can be reached. Without this file the form works by itself.
"use strict";
(() => {
  const form = document.getElementById("entry");
  if (!form) return;
  const SOON = 300, LATER = 1200, LONGEST = 8000, WEEK = 7 * 24 * 3600 * 1000;
  // Who the battery is of is said by the page, never by a draft.
  const is_kept = (name) => !/^(form_token|opened|gate|corrects|(athlete|episode)\..+)$/.test(name);
  const place = form.dataset.draft;
  const shown = { draft: document.getElementById("draft"), reach: document.getElementById("reach") };

  const typed = () => {
    const found = {};
    for (const [name, value] of new FormData(form)) found[name] = value;
    return found;
  };
  const later = (work, wait) => {
    let waiting;
    return () => { clearTimeout(waiting); waiting = setTimeout(work, wait); };
  };
  const say = (where, text) => {
    where.querySelector("p").textContent = text;
    where.hidden = !text;
  };
  const element = (name, text, kind) => {
    const made = document.createElement(name);
    made.textContent = text;
    if (kind) made.className = kind;
    return made;
  };

  // On a slow line somebody types before this file has come: what differs from the page as it was sent is theirs.
  const differs = (one) => {
    if (one.type === "radio" || one.type === "checkbox") return one.checked !== one.defaultChecked;
    if (one.tagName === "INPUT" || one.tagName === "TEXTAREA") return one.value !== one.defaultValue;
    if (one.tagName !== "SELECT") return false;
    const usual = [...one.options].find((option) => option.defaultSelected) || one.options[0];
    return usual !== one.options[one.selectedIndex];
  };
  const typed_before = new Set([...form.elements].filter((one) => one.name && differs(one)).map((one) => one.name));

  // The draft. A browser that keeps nothing still sends.
  const keep = () => {
    const fields = typed();
    Object.keys(fields).filter((name) => !is_kept(name)).forEach((name) => delete fields[name]);
    try { localStorage.setItem(place, JSON.stringify({ at: Date.now(), fields })); } catch { /* nothing is kept */ }
  };
  const forget = () => { try { localStorage.removeItem(place); } catch { /* nothing was kept */ } };
  const kept = () => {
    try {
      const found = JSON.parse(localStorage.getItem(place));
      if (found && Date.now() - found.at < WEEK) return found;
    } catch { /* what can't be read is none */ }
    forget();
    return null;
  };
  const put = (fields) => {
    for (const one of form.elements) {
      if (!one.name || !is_kept(one.name) || typed_before.has(one.name) || one.tagName === "BUTTON" || one.tagName === "FIELDSET") continue;
      if (one.type === "radio" || one.type === "checkbox") one.checked = fields[one.name] === one.value;
      else if (one.name in fields) one.value = fields[one.name];
      if (one.value && one.type !== "radio" && one.name in fields && !one.name.endsWith(".unit")) unfold(one);
    }
  };
  const unfold = (one) => {
    for (let at = one.closest("details"); at; at = at.parentElement.closest("details")) at.open = true;
  };
  // What was typed in rows that this page does not have goes along unseen, and the page is asked for with its rows.
  const askForRows = (fields) => {
    const named = Object.keys(fields).filter((name) => /^(session|event|m)\./.test(name) && !name.endsWith(".unit"));
    const lacking = named.filter((name) => fields[name] && !form.elements[name]);
    lacking.forEach((name) => {
      const carried = document.createElement("input");
      Object.assign(carried, { type: "hidden", name, value: fields[name] });
      form.append(carried);
    });
    if (lacking.length && !("more" in form.dataset)) {
      setTimeout(() => form.requestSubmit(form.querySelector('button[value="more"]')));
    }
  };
  const draft = "again" in form.dataset ? null : kept();
  if (draft) {
    put(draft.fields);
    askForRows(draft.fields);
    const at = new Date(draft.at).toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" });
    say(shown.draft, `What was typed here on ${at} and not sent was put back. It is kept in this browser only.`);
  }
  // What was sent before goes on under a key of its own, as the page says.
  if ("again" in form.dataset) keep();
  const forgetting = document.getElementById("forget");
  forgetting.addEventListener("click", () => { delete form.dataset.dirty; forget(); location.reload(); });
  globalThis.BroadcastChannel && new BroadcastChannel(place).addEventListener("message", ({ data: decision }) => {
    const stored = document.getElementById("stored");
    stored.href = decision;
    stored.hidden = false;
    forgetting.textContent = "Begin anew";
    say(shown.draft, "This battery was stored meanwhile, from another tab or window. What was typed only here was not.");
    shown.draft.scrollIntoView({ block: "center" });
  });

  // What the values come to.
  const soFar = document.getElementById("so-far");
  const list = document.getElementById("so-far-list");
  const count = document.getElementById("so-far-count");
  let asked = 0;
  const tell = (text) => { if (count.textContent !== text) count.textContent = text; };
  const dated = (on) => new Date(`${on}T12:00`).toLocaleDateString("en-GB", { day: "numeric", month: "short", year: "numeric" });
  const criterion = (one) => {
    const found = [element("dt", one.label, one.part_of ? "part" : "")];
    const told = [one.value, one.missing, one.carried_from && `from ${dated(one.carried_from)}`].filter(Boolean).join("; ");
    if (told) found.push(element("dd", told, one.part_of ? "part" : ""));
    return found;
  };
  const section = (heading, texts, tag) => {
    if (!texts.length) return [];
    const items = document.createElement("ul");
    items.append(...texts.map((text) => element("li", text)));
    return [element(tag, heading), items];
  };
  const show = (answer) => {
    soFar.hidden = false;
    form.classList.add("live");
    soFar.classList.toggle("behind", "faults" in answer);
    list.querySelector(".unfinished")?.remove();
    if ("faults" in answer) {
      const unfinished = element("div", "", "unfinished");
      unfinished.append(...section("Unfinished", answer.faults.slice(0, 3).map((one) => one.detail), "h3"));
      if (list.children.length) unfinished.append(element("p", "Below is what came before that.", "hint"));
      list.prepend(unfinished);
      tell("– unfinished");
      return;
    }
    const values = document.createElement("dl");
    answer.criteria.forEach((one) => values.append(...criterion(one)));
    const missing = answer.criteria.filter((one) => one.missing && !one.value).length + answer.unanswered.length;
    list.replaceChildren(
      ...section("Look again", answer.look_again, "h3"), ...section("Not answered yet", answer.unanswered, "h3"), values);
    tell(missing ? `– ${missing} missing` : "– nothing missing");
    document.getElementById("sides").classList.toggle("in-doubt", answer.look_again.length > 0);
  };
  const askValues = async () => {
    const mine = ++asked;
    try {
      const response = await fetch(form.dataset.values, {
        method: "POST", redirect: "manual", body: JSON.stringify(typed()),
        headers: { "Content-Type": "application/json", "X-Form-Token": form.elements.form_token.value },
      });
      if (mine !== asked || !response.ok) return;
      show(await response.json());
      say(shown.reach, "");
    } catch {
      if (mine === asked) { soFar.classList.add("behind"); tell("– no connection; what you type is kept"); }
    }
  };
  const keepSoon = later(keep, SOON), askSoon = later(askValues, LATER);
  form.addEventListener("input", () => { keepSoon(); askSoon(); });
  addEventListener("online", askSoon);
  addEventListener("pagehide", () => { if (form.dataset.dirty) keep(); });
  form.addEventListener("input", () => { form.dataset.dirty = "yes"; });
  if (typed_before.size) form.dispatchEvent(new Event("input"));
  form.addEventListener("change", (event) => {
    if (/^event\.\d+\.kind$/.test(event.target.name) && event.target.value === "re_injury") {
      const screen = document.getElementById("screen");
      if (screen) screen.open = true;
    }
    if (/^event\.\d+\./.test(event.target.name) && event.target.value) {
      form.querySelector('input[name="since"][value="some"]').checked = true;
    }
  });
  if (matchMedia("(max-width: 63.99rem)").matches) soFar.querySelector("details").open = false;
  askValues();

  // Sending.
  const UNREACHABLE = "The service can't be reached. Nothing was sent, and everything that was typed is kept in this browser. Send it again when the connection is back.";
  const SIGNED_OUT = "You are signed out. Nothing was sent, and everything that was typed is kept in this browser. Sign in again and open this form: it is put back.";
  const trouble = async () => {
    try {
      const response = await fetch(form.dataset.alive, { redirect: "manual", cache: "no-store", signal: AbortSignal.timeout(LONGEST) });
      return response.ok ? "" : response.type === "opaqueredirect" ? SIGNED_OUT : UNREACHABLE;
    } catch {
      return UNREACHABLE;
    }
  };
  let is_reached = false, is_asking = false;
  form.addEventListener("submit", async (event) => {
    keep();
    if (is_reached) { is_reached = false; return; }
    event.preventDefault();
    event.stopPropagation();
    if (is_asking) return;
    is_asking = true;
    const found = await trouble();
    is_asking = false;
    say(shown.reach, found);
    if (found) { shown.reach.scrollIntoView({ block: "center" }); return; }
    is_reached = true;
    form.requestSubmit(event.submitter);
  });
  // Enter in a field goes nowhere: half a battery is sent too easily by it.
  form.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target.tagName === "INPUT") event.preventDefault();
  });
})();
