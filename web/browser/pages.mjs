// Alarms, polling, thresholds, people: what they show against the database, and acknowledging by keyboard.
import assert from 'node:assert/strict';
import test from 'node:test';
import { sql, until, withPage } from './support.mjs';

test('open alarms are listed, most urgent first, and none is left out', async () => {
  const [{ n }] = await sql('select least(count(*), 100)::int as n from alarm where returned_at is null');
  await withPage({}, async (page) => {
    await page.goto('/alarms');
    const priorities = await page.locator('.alarms tbody tr td:first-child').allTextContents();
    assert.ok(Math.abs(priorities.length - n) <= 3, `${priorities.length} of ${n}; alarms come and go while we look`);
    const rank = (word) => ['Critical', 'High', 'Medium', 'Low'].indexOf(word.trim());
    assert.ok(priorities.every((word) => rank(word) >= 0));
  });
});

test('an alarm is acknowledged with the keyboard alone, once, with a note', async (t) => {
  const [alarm] = await sql('select id from alarm where acknowledged_at is null order by returned_at is null, raised_at, id limit 1');
  if (!alarm) return t.skip('every alarm is acknowledged');
  await withPage({}, async (page) => {
    await page.goto(`/alarms/${alarm.id}`);
    for (let i = 0; i < 60 && (await page.evaluate(() => document.activeElement.id)) !== 'note'; i++) await page.keyboard.press('Tab');
    await page.keyboard.type('Seen at the desk, crew told');
    await page.keyboard.press('Tab');
    assert.equal(await page.evaluate(() => document.activeElement.textContent), 'Acknowledge');
    await Promise.all([page.waitForNavigation(), page.keyboard.press('Enter')]);
    const panel = await page.locator('section:has(#h-ack)').textContent();
    assert.ok(panel.includes('“Seen at the desk, crew told”'), panel);
    assert.equal(await page.locator('#note').count(), 0, 'nothing is left to acknowledge');
  });
  const [{ acknowledged_by: by, acknowledge_note: note }] = await sql('select acknowledged_by, acknowledge_note from alarm where id = $1', [alarm.id]);
  assert.ok(by);
  assert.equal(note, 'Seen at the desk, crew told');
});

test('the polling page names every endpoint', async () => {
  const endpoints = await sql('select distinct e.address from endpoint e join regulator r on r.endpoint_id = e.id where r.retired_at is null');
  await withPage({}, async (page) => {
    await page.goto('/polling');
    await until(page, () => document.querySelectorAll('.endpoints tbody tr').length > 0);
    const shown = await page.locator('.endpoints tbody th').allTextContents();
    for (const { address } of endpoints.slice(0, 50)) assert.ok(shown.some((text) => text.includes(address)), address);
  });
});

test('a threshold that is out of range is refused in words and changes nothing', async () => {
  const count = async () => (await sql('select count(*)::int as n from threshold'))[0].n;
  const before = await count();
  await withPage({ javaScriptEnabled: false }, async (page) => {
    await page.goto('/thresholds');
    await page.locator('.values a').first().click();
    await page.getByRole('textbox', { name: 'Value' }).fill('lots');
    await page.getByRole('button', { name: 'Set', exact: true }).click();
    assert.equal(await page.locator('[role=alert]').count(), 1);
    assert.equal(await page.getByRole('textbox', { name: 'Value' }).inputValue(), 'lots');
  }, { refusals: true });
  assert.equal(await count(), before);
});

test('a delay is set as people write it, shown so, and cleared, without script', async () => {
  const stored = async () => (await sql("select value from threshold where condition = 'not_automatic' and parameter = 'delay_s' and scope_kind = 'fleet'"))[0]?.value;
  await withPage({ javaScriptEnabled: false, viewport: { width: 390, height: 844 } }, async (page) => {
    await page.goto('/thresholds/not_automatic/delay_s');
    const value = page.getByRole('textbox', { name: 'Value' });
    const set = async (text) => {
      await value.fill(text);
      await value.press('Enter');
    };
    for (const [text, seconds, shown] of [['1 h 30 min', 5400, '90\u00a0min'], ['86400', 86_400, '24\u00a0h'], ['2 days', 172_800, '2\u00a0d']]) {
      await set(text);
      assert.equal(await stored(), seconds, text);
      assert.equal(await page.locator('section:has(#h-now) td.figure').first().textContent(), shown);
      assert.equal(await page.locator('section:has(#h-changes) tbody tr').first().locator('td').last().textContent(), shown);
    }
    await set('a while');
    assert.equal(await value.getAttribute('aria-invalid'), 'true');
    const fault = page.locator(`#${(await value.getAttribute('aria-describedby')).split(' ')[0]}`);
    assert.match(await fault.textContent(), /“a while” is not a length of time.*15 min, 24 h or 30 d/);
    const [field, beside] = await Promise.all([value.boundingBox(), fault.boundingBox()]);
    assert.ok(beside.y >= field.y + field.height && beside.y < field.y + field.height + 20, 'the fault stands under its field');
    assert.equal(await stored(), 172_800);
    await page.getByRole('button', { name: 'Clear Whole fleet' }).click();
    assert.equal(await stored(), undefined);
    await page.goto('/thresholds');
    assert.ok(!/\d{3,}\u00a0s/.test(await page.locator('main').textContent()), 'no bare seconds');
  }, { refusals: true });
});
