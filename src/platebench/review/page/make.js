// Small help for making elements.

export function make(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  put(element, attributes);
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

export function drawn(name, attributes = {}, ...children) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

export function put(element, attributes) {
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key === "class") element.className = value;
    else if (value === true) element.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(key, value);
  }
}

// A number to so many decimals; what rounds to nothing is plain zero, never "-0.00".
export function fixed(value, digits) {
  return value.toFixed(digits).replace(/^-(?=0(\.0*)?$)/, "");
}

export function density(value) {
  return value === null || value === undefined ? "–" : fixed(value, 2);
}
