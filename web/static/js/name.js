// The name a person goes by in the log, kept by their browser.

const NAME_KEY = "oyez-by";

export function remembered() {
  try {
    return localStorage.getItem(NAME_KEY) ?? "";
  } catch {
    return "";
  }
}

export function remember(name) {
  try {
    localStorage.setItem(NAME_KEY, name);
  } catch {
    // a browser that keeps nothing: the name is typed again next time
  }
}
