"""A group of commands that are imported only when one of them is called."""

from __future__ import annotations

import importlib
from collections.abc import Mapping

import click


class Door(click.Group):
    """``commands_by_name`` says where each command is defined and its line in ``--help``."""

    commands_by_name: Mapping[str, tuple[str, str]] = {}

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Give the commands in the order of the table."""
        return list(self.commands_by_name)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command, by its whole name."""
        if cmd_name not in self.commands_by_name:
            return None
        module, _, name = self.commands_by_name[cmd_name][0].partition(":")
        command = getattr(importlib.import_module(module), name)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in self.commands_by_name.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Look the command up; an unknown one is answered with the nearest name."""
        if args and args[0] not in self.commands_by_name and not args[0].startswith("-"):
            from difflib import get_close_matches

            near = get_close_matches(args[0], self.commands_by_name, 1)
            where = f"{ctx.command_path} --help"
            hint = f"; did you mean {near[0]!r}?" if near else f"; see `{where}`"
            raise click.UsageError(f"there is no command {args[0]!r}{hint}", ctx)
        return super().resolve_command(ctx, args)
