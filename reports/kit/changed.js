// Says that the page was written again since it was served, and offers it; a board, which nobody touches, is fetched by itself.
// Without this a page stays as it is, and a board is fetched every few seconds.
"use strict";
(() => {
  const said = JSON.parse(document.getElementById("changed-words").textContent);
  const place = document.getElementById("changed");
  let stream = null;
  let known = false;
  const again = () => location.reload();
  const say = () => {
    known = true;
    stop();
    if (place === null) {
      again();
      return;
    }
    const text = document.createElement("span");
    text.textContent = said.said;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = said.show;
    button.addEventListener("click", again);
    place.className = "filter";
    place.replaceChildren(text, button);
  };
  const stop = () => {
    if (stream !== null) stream.close();
    stream = null;
  };
  const listen = () => {
    if (known || stream !== null) return;
    stream = new EventSource(said.address);
    stream.addEventListener("changed", say);
    stream.addEventListener("error", () => {
      // refused: a board goes on as without this
      if (stream !== null && stream.readyState === EventSource.CLOSED && place === null) setTimeout(again, said.after_s * 1000);
    });
  };
  // a window that nobody sees takes no connection: a browser has six of them for all its windows
  const seen = () => (document.hidden ? stop() : listen());
  document.addEventListener("visibilitychange", seen);
  addEventListener("pagehide", stop);
  addEventListener("pageshow", seen);
  seen();
  // and where the network was lost without a word
  if (place === null) setTimeout(again, 40 * said.after_s * 1000);
})();
