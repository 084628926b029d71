// Small helpers around the document. Text goes in as text, never as markup.
export const byId = (id) => document.getElementById(id);

// Writing an equal text would wake layout and screen readers for nothing.
export function text(element, value) {
  if (element.textContent !== value) element.textContent = value;
}

export function mark(element, name, value) {
  if (value === null || value === false || value === undefined) {
    if (element.hasAttribute(name)) element.removeAttribute(name);
  } else if (element.getAttribute(name) !== String(value)) {
    element.setAttribute(name, String(value));
  }
}

export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === 'onclick') element.addEventListener('click', value);
    else mark(element, name, value === true ? '' : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined && child !== ''));
  return element;
}

const SVG = 'http://www.w3.org/2000/svg';

// A shape drawn in index.html, by its name.
export function shape(name) {
  const svg = document.createElementNS(SVG, 'svg');
  svg.setAttribute('class', 'shape');
  svg.setAttribute('aria-hidden', 'true');
  svg.setAttribute('viewBox', '0 0 32 32');
  const use = document.createElementNS(SVG, 'use');
  use.setAttribute('href', `#shape-${name}`);
  svg.append(use);
  return svg;
}

export function reshape(svg, name) {
  const use = svg.firstElementChild;
  if (use.getAttribute('href') !== `#shape-${name}`) use.setAttribute('href', `#shape-${name}`);
}
