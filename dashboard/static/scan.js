// Collects what a scanner types, and tells the page of each scan.
//
// A scanner is a keyboard that ends with Enter or Tab. Outside a field every key that prints is taken for one of
// its, at any pace, and the end of what was collected presses no button: a person who presses a button by key
// has typed nothing before. In a field people type, too; there a request with a value is a scan at any pace, a
// single word only at a scanner's.
"use strict";

(() => {
  const verbs = new Set(document.getElementById("bench").dataset.verbs.split(" "));
  const restMs = 3000; // after so long without a key, what was collected is forgotten
  const afterMs = 1000; // some scanners send a second end; so long it presses nothing
  const wordPaceMs = 60;
  const tabPaceMs = 150;
  const silent = new Set(["Shift", "AltGraph", "CapsLock", "NumLock"]);
  let typed = "";
  let gaps = [];
  let lastMs = -Infinity;
  let lastField = null;
  let deafUntilMs = -Infinity;
  let spaceTaken = false;

  function forget() {
    typed = "";
    gaps = [];
  }

  function take(event, text) {
    event.preventDefault();
    deafUntilMs = event.timeStamp + afterMs;
    forget();
    document.dispatchEvent(new CustomEvent("scan", { detail: text.trim() }));
  }

  function end(event) {
    if (typed !== "") return take(event, typed);
    const again = event.repeat && event.key === "Enter";
    if (again || event.timeStamp < deafUntilMs) event.preventDefault();
  }

  function slowestMs(event, field) {
    if (event.key === "Tab" || field.form?.id === "ask") return tabPaceMs;
    return /^\S+ [\w-]+=/.test(typed) ? Infinity : wordPaceMs;
  }

  function endInField(event, field) {
    const text = typed;
    const middleGapMs = [...gaps].sort((one, other) => one - other)[Math.floor(gaps.length / 2)] ?? Infinity;
    const scan = verbs.has(text.split(" ", 1)[0]) && middleGapMs <= slowestMs(event, field);
    forget();
    if (!scan || !field.value.endsWith(text)) return;
    field.value = field.value.slice(0, -text.length);
    take(event, text);
  }

  function collect(event, field) {
    if (field === null) {
      if (event.key === " " && typed === "") return; // a person's, who presses a button
      event.preventDefault();
      spaceTaken = spaceTaken || event.key === " ";
      if (event.repeat) return;
    }
    if (typed !== "") gaps.push(event.timeStamp - lastMs);
    typed += event.key;
    lastMs = event.timeStamp;
  }

  document.addEventListener("keydown", (event) => {
    if (event.isComposing) return;
    if ((event.ctrlKey || event.altKey || event.metaKey) && !event.getModifierState("AltGraph")) return;
    const field = event.target.closest?.("input, textarea, select") ?? null;
    if (field !== lastField || event.timeStamp - lastMs > restMs) forget();
    lastField = field;
    if (event.key === "Enter" || event.key === "Tab") {
      if (field === null) end(event);
      else endInField(event, field);
    } else if (event.key.length === 1) {
      collect(event, field);
    } else if (!silent.has(event.key)) {
      forget();
    }
  }, true);

  document.addEventListener("keyup", (event) => {
    if (event.key !== " " || !spaceTaken) return;
    spaceTaken = false;
    event.preventDefault();
  }, true);

  document.addEventListener("pointerdown", forget, true);
})();
