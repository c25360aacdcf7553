"""What the name of a file system says about where its bytes lie.

Only kinds that are listed here are trusted to lie on the block device that the kernel names for
them; every other kind is "not shown". Sources: kernel documentation ``filesystems/``, proc(5),
mount(8).
"""

MEMORY = frozenset({"ramfs", "rootfs", "tmpfs"})
"""Nothing below but memory."""

NETWORK = frozenset(
    {
        "9p", "afpfs", "afs", "ceph", "cifs", "coda", "davfs", "fuse.curlftpfs", "fuse.glusterfs",
        "fuse.s3fs", "fuse.sshfs", "gfs2", "lustre", "ncpfs", "nfs", "nfs4", "ocfs2", "orangefs",
        "smb3", "smbfs", "virtiofs", "webdav",
    }
)  # fmt: skip
"""Served by another machine, or by the host of a virtual one: may stop answering at any moment."""

ADDRESSED = frozenset({"9p", "afpfs", "cifs", "fuse.sshfs", "nfs", "nfs4", "smb3", "smbfs"})
"""Network kinds with one server, whose address is the place where the bytes lie."""

ON_BLOCK_DEVICE = frozenset(
    {
        "affs", "apfs", "befs", "btrfs", "erofs", "exfat", "ext2", "ext3", "ext4", "f2fs",
        "fuseblk", "hfs", "hfsplus", "iso9660", "jfs", "minix", "msdos", "nilfs2", "ntfs", "ntfs3",
        "reiserfs", "squashfs", "udf", "ufs", "vfat", "xfs",
    }
)  # fmt: skip
"""Lies on block devices that the kernel itself opened. ``fuseblk`` too: there the kernel holds the
device for the user-space server. Plain ``fuse.*`` not: its source is any text the mounter chose."""

PSEUDO = frozenset(
    {
        "autofs", "binfmt_misc", "bpf", "bpf_fs", "cgroup", "cgroup2", "configfs", "cpuset",
        "debugfs", "devpts", "devtmpfs", "efivarfs", "fuse.gvfsd-fuse", "fuse.lxcfs",
        "fuse.portal", "fuse.snapfuse", "fusectl", "hugetlbfs", "mqueue", "nsfs", "pipefs", "proc",
        "pstore", "resctrl", "rpc_pipefs", "securityfs", "selinuxfs", "smackfs", "sockfs",
        "sysfs", "tracefs",
    }
)  # fmt: skip
"""Views into the kernel or the desktop: never a card, never a drive. Touching an ``autofs`` place
would mount something, so these are not even asked for their size."""


def is_network(fs_type: str) -> bool:
    """Whether another machine answers for this kind."""
    return fs_type in NETWORK
