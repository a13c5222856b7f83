// The clock of the board, how old the last reading is, and whether the board itself stands still: a wall must not say "fit" of yesterday.
// Without this the times of the page stand there.
"use strict";
(() => {
  const said = JSON.parse(document.getElementById("board-words").textContent);
  const place = document.getElementById("board-clock");
  const fill = (words, values) => words.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
  const clock = new Intl.DateTimeFormat("sv-SE", { timeZone: said.zone, hour: "2-digit", minute: "2-digit" });
  const age = (ms) => {
    const minutes = Math.max(0, Math.floor(ms / 6e4));
    if (minutes < 120) return fill(said.minutes, { n: minutes });
    const hours = Math.floor(minutes / 60);
    return hours < 48 ? fill(said.hours, { n: hours }) : fill(said.days, { n: Math.floor(hours / 24) });
  };
  const tell = () => {
    const now = Date.now();
    place.textContent = fill(said.clock, { at: clock.format(now), age: said.last === null ? said.never : age(now - said.last) });
    if (now > said.until) {
      const banner = document.getElementById("board-banner");
      banner.textContent = said.stale;
      banner.className = "banner t-reject";
    }
  };
  tell();
  setInterval(tell, 10000);
})();
