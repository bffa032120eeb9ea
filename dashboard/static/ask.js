// Sends what a button, a form or a scanner asks to the bench, and says the answer.
//
// A scanner is a keyboard that types fast and ends with Enter; it needs no field to be chosen first.
"use strict";

(() => {
  const form = document.getElementById("ask");
  const said = document.getElementById("said");
  const token = form.querySelector("[name=csrf_token]").value;
  const typedWithinMs = 60;
  let typed = "";
  let lastMs = 0;

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
      say(news?.text ?? "You are not signed in any more. Sign in again.", Boolean(news?.accepted));
    } catch {
      say("This page has lost its server. Use the bench itself.", false);
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

  document.addEventListener("keydown", (event) => {
    if (event.target.closest("input, select, textarea") || event.ctrlKey || event.altKey || event.metaKey) return;
    const fast = event.timeStamp - lastMs < typedWithinMs;
    lastMs = event.timeStamp;
    if (event.key === "Enter") {
      const text = typed;
      typed = "";
      if (!fast || text.length < 3) return;
      event.preventDefault();
      ask({ request: text });
    } else if (event.key.length === 1) {
      typed = fast ? typed + event.key : event.key;
    }
  });
})();
