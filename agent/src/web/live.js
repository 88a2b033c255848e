// Values as they change. Everything works without this: the page says itself when it has grown old.
(() => {
  'use strict';
  const main = () => document.getElementById('main');
  const all = (from, what) => [...from.querySelectorAll(what)];
  const controls = () => all(main(), 'a,button,summary');
  // What came of a press stays to be read …
  const SAID = 60000;
  const opened = performance.now();
  // … and a press that was aimed at what stood here before is not taken for one at what stands here now.
  const AIMED = 500;
  const name = one => [one.tagName, one.textContent.trim(), one.value || one.getAttribute('href')].join();
  const places = () => new Map(controls().map(one => [name(one), one.getBoundingClientRect().top]));
  let moved = -AIMED;
  let before = new Map();
  addEventListener('click', event => {
    const pressed = event.detail > 0 && performance.now() - moved < AIMED && event.target.closest('a,button,summary');
    if (!pressed || !main().contains(pressed)) return;
    const was = before.get(name(pressed));
    if (was !== undefined && Math.abs(was - pressed.getBoundingClientRect().top) < 9) return;
    event.preventDefault();
    event.stopPropagation();
  }, true);
  // Whoever presses, writes or has written something is not disturbed. A finger that is never seen to go has gone.
  let down = -Infinity;
  addEventListener('pointerdown', () => { down = performance.now() + 5000; }, true);
  for (const up of ['pointerup', 'pointercancel'])
    addEventListener(up, () => { down = performance.now() + 100; }, true);
  const written = one => one.tagName === 'SELECT'
    ? all(one, 'option').some(each => each.selected !== each.defaultSelected && (each.defaultSelected || each.index > 0))
    : one.type === 'checkbox' || one.type === 'radio' ? one.checked !== one.defaultChecked : one.value !== one.defaultValue;
  const busy = () => {
    const at = document.activeElement;
    return performance.now() < down || (at && ['INPUT', 'SELECT', 'TEXTAREA'].includes(at.tagName))
      || all(main(), 'input,select,textarea').some(written);
  };
  const young = () => {
    const old = document.querySelector('.old');
    if (old) old.replaceWith(old.cloneNode(true));
  };
  let loading = false;
  const load = async () => {
    if (loading || busy()) return;
    loading = true;
    try {
      const reply = await fetch(location.href, { headers: { Accept: 'text/html' } });
      if (!reply.ok) return;
      const page = new DOMParser().parseFromString(await reply.text(), 'text/html');
      const fresh = page.getElementById('main');
      if (!fresh || busy()) return;
      const focused = controls().indexOf(document.activeElement);
      const open = all(main(), 'details').map(one => one.open);
      const told = main().querySelector('h1');
      const tells = fresh.querySelector('h1');
      const came = main().querySelector('.said-back');
      if (came && performance.now() - opened < SAID) fresh.querySelector('.old').after(came);
      before = places();
      main().replaceWith(fresh);
      moved = performance.now();
      document.title = page.title;
      document.body.dataset.shape = page.body.dataset.shape;
      document.body.className = page.body.className;
      all(main(), 'details').forEach((one, nth) => { if (open[nth]) one.open = true; });
      const next = controls()[focused];
      if (next) next.focus({ preventScroll: true });
      if (told && tells && told.textContent !== tells.textContent) document.getElementById('said').textContent = tells.textContent;
    } catch (_) {
      // The page grows old and says so.
    } finally {
      loading = false;
    }
  };
  const stream = new EventSource('/live');
  stream.addEventListener('values', event => {
    young();
    for (const [name, value] of Object.entries(JSON.parse(event.data)))
      for (const one of document.querySelectorAll('[data-v="' + name + '"]')) if (one.textContent !== value) one.textContent = value;
  });
  // What could not be shown at once is shown as soon as nobody is disturbed by it.
  let wanted;
  const tend = () => { if (wanted !== undefined && wanted !== document.body.dataset.shape) load(); };
  stream.addEventListener('shape', event => { wanted = event.data; tend(); });
  const tending = setInterval(tend, 1000);
  addEventListener('pagehide', () => { stream.close(); clearInterval(tending); });
})();
