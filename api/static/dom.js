// Elements from words: text is always text, never markup.

export function h(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false && child !== ""));
  return element;
}

const WORDS = {
  led_module: "LED module", driver: "LED driver", none: "nothing wrong found",
  made_safe: "made safe, not working", cable: "cable section", line: "overhead line section",
  not_proven: "not proven: verify at night", cover_test: "cover test: it lit",
  dayburning: "burning by day", cycling: "cycling on and off", group_out: "several out",
};

export const said = (word) => WORDS[word] ?? word.replaceAll("_", " ");
export const sentence = (text) => text.slice(0, 1).toUpperCase() + text.slice(1);

export function clockTime(ms) {
  return new Date(ms).toLocaleString(undefined, {
    day: "numeric", month: "short", hour: "2-digit", minute: "2-digit",
  });
}

export function show(main, ...content) {
  main.replaceChildren(...content.flat().filter(Boolean));
}
