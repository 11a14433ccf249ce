"""The question over HTTP."""

from fill_ledger.trade.events.county import Role
from tests.support.county import County


async def test_a_cylinder_in_order_is_permitted(county: County) -> None:
    tag = "iso15693:E004010012345678"
    cylinder_id = await county.cylinder(tag=tag)
    async with county.client(county.own.keys[Role.CONTROLLER]) as client:
        response = await client.get(
            "/v1/eligibility", params={"tag": "E0 04 01 00 12 34 56 78", "member_id": str(county.own.member_id)}
        )
    assert response.status_code == 200, response.text
    document = response.json()
    assert document["decision"] == "permit", document
