// Where the readings are kept. A page that is served may put its own `fieldKeep` in place of this one: `load` gives
// what was kept or null, `keep` (with the samples file as it is so far) returns or promises whether it is kept, `state` is "sure", "unsure" or "lost"; it may say more of it (`says`) and send "field-keep" when it is another.
"use strict";
window.fieldKeep = window.fieldKeep || (() => {
  const mark = "vrn-field";
  let state = "lost";
  try {
    const probe = String(Math.random());
    localStorage.setItem(mark + "-probe", probe);
    if (localStorage.getItem(mark + "-probe") === probe) state = localStorage.getItem(mark + "-opened") ? "sure" : "unsure";
    localStorage.setItem(mark + "-opened", "1");
  } catch (error) { state = "lost"; }
  if (navigator.storage && navigator.storage.persist) navigator.storage.persist().catch(() => false);
  return {
    get state() { return state; },
    load(key) {
      try { return JSON.parse(localStorage.getItem(mark + " " + key)); } catch (error) { return null; }
    },
    keep(key, readings) {
      try {
        const text = JSON.stringify(readings);
        localStorage.setItem(mark + " " + key, text);
        if (localStorage.getItem(mark + " " + key) === text) return true;
      } catch (error) { /* full, or forbidden */ }
      state = "lost";
      return false;
    },
  };
})();
