// Sends what a button, a form or a scanner asks to the bench, and says the answer.
//
// A scanner is a keyboard that types at a steady pace and ends with Enter; it needs no field to be chosen first.
"use strict";

(() => {
  const form = document.getElementById("ask");
  const said = document.getElementById("said");
  const token = form.querySelector("[name=csrf_token]").value;

  function say(words, good) {
    said.textContent = words;
    said.className = good ? "good" : "bad";
  }

  async function ask(fields) {
    say("Asking …", true);
    const body = new URLSearchParams({ ...fields, csrf_token: token });
    try {
      const answer = await fetch(form.action, { method: "POST", body, headers: { Accept: "application/json" } });
      const news = answer.headers.get("Content-Type")?.startsWith("application/json") ? await answer.json() : null;
      say(news?.text ?? "You are not signed in any more, so nothing was asked. Sign in again.", Boolean(news?.accepted));
    } catch {
      say("This page has lost its server, so nothing may have been done. Go by the bench itself.", false);
    }
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-ask]");
    if (button !== null) ask({ request: button.dataset.ask });
  });

  for (const each of document.querySelectorAll("form.ask")) {
    each.addEventListener("submit", (event) => {
      event.preventDefault();
      ask(Object.fromEntries(new FormData(each)));
      for (const field of each.querySelectorAll("input:not([type=hidden])")) field.value = "";
    });
  }

  // A scan is told from typing at its end, by its pace as a whole: the middle one of all gaps between its keys.
  // Single keys of a slow or wireless scanner may come late, and no hand keeps up such a pace. In a field a
  // faster pace is asked for, and a request to be scanned; any other code is what the field is to be filled with.
  const longestGapMs = 1000;
  const paceMs = 100;
  const paceInFieldMs = 60;
  const verbs = new Set(form.dataset.verbs.split(" "));
  let typed = "";
  let gaps = [];
  let lastMs = 0;

  function forget() {
    typed = "";
    gaps = [];
  }

  function middleGapMs() {
    return [...gaps].sort((one, other) => one - other)[Math.floor(gaps.length / 2)] ?? Infinity;
  }

  function scanned(field) {
    if (typed.length < 3 || middleGapMs() > (field === null ? paceMs : paceInFieldMs)) return false;
    return field === null || (verbs.has(typed.split(" ", 1)[0]) && field.value.endsWith(typed));
  }

  function scanning(nowMs) {
    return typed.length > 1 && nowMs - lastMs <= longestGapMs && middleGapMs() <= paceMs;
  }

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const now = event.timeStamp;
    const field = event.target.closest("input, textarea");
    if (now - lastMs > longestGapMs) forget();
    if (event.key === "Enter") {
      const text = typed;
      const scan = scanned(field);
      forget();
      if (!scan || field?.form === form) return;
      event.preventDefault();
      if (field !== null) field.value = field.value.slice(0, -text.length);
      ask({ request: text });
    } else if (event.key.length === 1) {
      // A space in a scan must not press the button that was touched last.
      if (event.key === " " && field === null && scanning(now)) event.preventDefault();
      if (typed !== "") gaps.push(now - lastMs);
      typed += event.key;
      lastMs = now;
    } else if (event.key !== "Shift") {
      forget();
    }
  });

  document.addEventListener("keyup", (event) => {
    if (event.key === " " && event.target.closest("input, textarea") === null && scanning(event.timeStamp)) {
      event.preventDefault();
    }
  });
})();
